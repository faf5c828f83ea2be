// Package study tries package drift on channels that package driftsim makes up,
// and counts how often it is right, silent and wrong.
package study
