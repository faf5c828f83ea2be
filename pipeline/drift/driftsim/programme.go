package driftsim

import "math"

// work is the load programme: fillings of about an hour in shifts, pauses at
// night, some long holds, a load that is raised to a new maximum on some days,
// and stretches with vibration.
type work struct {
	load     []float64 // 1 is the highest of all
	idle     []bool
	cycles   []float64
	first    int   // minute of the first loading
	maxima   []int // minutes at which a new maximum is reached
	fillings []int // minutes of each filling's begin
	settled  int   // minute from which a maximum is no longer one of the first loads
}

// mayYield says whether the article may give at a maximum in minute m.
func (w work) mayYield(m int) bool { return m > w.settled && m < 12*1440 }

func makeWork(d draws, shaken float64) work {
	w := work{load: make([]float64, Minutes), idle: make([]bool, Minutes), cycles: make([]float64, Minutes), settled: 2 * 1440}
	if d.clear {
		w.settled = 4 * 1440
	}
	for i := range w.idle {
		w.idle[i] = true
	}
	level := 0.45 + 0.2*d.Float64()
	start := int(d.in(6, 20) * 60)
	nightly := d.chance(0.6)
	vibrates := d.in(0.4, 4) * 60 // cycles a minute
	if shaken > 0 {
		vibrates = shaken
	}
	shaking := d.chance(0.5)
	var highest float64
	raise := map[int]bool{}
	for range 2 + d.IntN(4) {
		raise[2+d.IntN(11)] = true
	}
	day := -1
	m := start
	for m < Minutes-80 {
		if h := m / 60 % 24; nightly && (h < 6 || h >= 21) {
			m += 30
			continue
		}
		if m/1440 != day {
			day = m / 1440
			shaking = d.chance(0.5)
			if raise[day] {
				level = min(1, level+0.08+0.12*d.Float64())
			}
			if d.chance(0.12) { // a day of rest
				m = (day + 1) * 1440
				continue
			}
		}
		peak := level * (0.8 + 0.2*d.Float64())
		ramp, hold, rest := 8+d.IntN(8), 8+d.IntN(14), 12+d.IntN(16)
		if d.chance(0.04) {
			hold = int(d.in(180, 900))
		}
		if peak > 1.02*highest && m > start {
			w.maxima = append(w.maxima, m+ramp)
		}
		highest = max(highest, peak)
		w.fillings = append(w.fillings, m)
		for i := range 2*ramp + hold {
			if m+i >= Minutes {
				break
			}
			up := min(1, float64(i+1)/float64(ramp), float64(2*ramp+hold-i)/float64(ramp))
			w.load[m+i], w.idle[m+i] = peak*up, false
			if shaking {
				w.cycles[m+i] = math.Round(vibrates * up)
			}
		}
		m += 2*ramp + hold + rest
	}
	w.first = start
	return w
}
