package simulate

import (
	"fmt"
	"math"
	"time"
)

// The lock is filled, held, emptied and left, over and over.
const (
	firstFill = 20 * time.Minute // the ten minutes of zeros and the shunt checks come before
	filling   = 30 * time.Minute
	holding   = 45 * time.Minute
	emptying  = 30 * time.Minute
	resting   = 75 * time.Minute
	cycle     = filling + holding + emptying + resting
)

// targets are the levels of the fillings in m, over and over.
var targets = []float64{2.4, 3.2, 3.6, 3.6, 3.9, 3.6}

// schedule is the filling plan of a test.
type schedule struct{ duration time.Duration }

// fill is one filling; the times are since the start of the test.
type fill struct {
	number                    int     // from 0
	target                    float64 // m above the empty level
	begin, hold, empty, ended time.Duration
}

func (f fill) name() string { return fmt.Sprintf("fill %d", f.number+1) }

// fills returns the fillings that begin before the end of the test.
func (s schedule) fills() (f []fill) {
	for begin := firstFill; begin < s.duration; begin += cycle {
		f = append(f, nthFill(len(f)))
	}
	return f
}

func nthFill(n int) fill {
	begin := firstFill + time.Duration(n)*cycle
	return fill{
		number: n,
		target: targets[n%len(targets)],
		begin:  begin,
		hold:   begin + filling,
		empty:  begin + filling + holding,
		ended:  begin + filling + holding + emptying,
	}
}

// level returns the water level in m above empty.
func (s schedule) level(after time.Duration) float64 {
	if after < firstFill {
		return 0
	}
	f := nthFill(int((after - firstFill) / cycle))
	switch {
	case after < f.hold:
		return f.target * smooth(float64(after-f.begin)/float64(filling))
	case after < f.empty:
		// A long lock sways a little once its paddles are shut.
		sway := (after - f.hold).Seconds()
		return f.target + 0.004*math.Sin(2*math.Pi*sway/47)*math.Exp(-sway/600)
	case after < f.ended:
		return f.target * (1 - smooth(float64(after-f.empty)/float64(emptying)))
	}
	return 0
}
