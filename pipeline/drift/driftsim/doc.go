// Package driftsim makes up single strain channels that stop telling the truth
// slowly: two weeks of bridge ratios, a reading a minute, from resistors,
// contacts, leaks, an adhesive layer and an article with a load programme, with
// weather and coloured noise. It is the other opinion for package drift: it
// shares no code and no formula of a signature with it.
//
// The physics: a leak and a contact are resistors in the bridge; creep is a
// relaxing adhesive between article and grid; a debond lets part of the grid slip
// under friction; post-cure follows conversion of second order with a rate that
// doubles every 12 K; fatigue opens cracks that add resistance with cycles;
// yield and shakedown are residual strain of the article; self-heating is power
// on the grid; an instrument's offset and gain move all that it measures.
package driftsim
