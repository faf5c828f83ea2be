// Package thermalfit finds the thermal output of gauges where they are: a
// polynomial of strain against temperature, from readings of a part that is free
// to expand and has no load.
//
// Change turns a reduced strain back into what the gauge itself did, so that it
// does not matter which thermal output the reduction had taken out. Readings
// holds means over equal stretches of time, in bounded memory however long the
// test runs. Its Fit is by least squares with an offset of its own for every
// series, since only differences of thermal output mean anything; it counts
// readings for what they are worth (those of one afternoon repeat each other),
// chooses the degree, states a band, and compares rising with falling
// temperature.
//
// The package knows nothing of files, and judges no part: whether it was free to
// expand, and whether the gauge saw what its sensor saw, is for people to say. A
// part that is not free has a temperature response of gauge and structure
// together; the same numbers describe that, and are no thermal output.
package thermalfit
