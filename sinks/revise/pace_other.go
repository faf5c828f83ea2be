//go:build !unix

package revise

import "context"

type pace struct{}

func newPace(float64) *pace { return new(pace) }

func (*pace) wait(context.Context) {}
