package simulate

import (
	"math"
	"math/rand/v2"
)

// flicker is noise whose power falls with frequency: one first-order process a
// decade of time constants, from a tenth of a second to a thousand seconds, all of
// the same standard deviation.
type flicker struct {
	random *rand.Rand
	value  [5]float64
	keep   [5]float64 // of it a sample
	add    [5]float64
}

func newFlicker(seed uint64, channel string, size, rate float64) *flicker {
	f := &flicker{random: rand.New(rand.NewPCG(seed, name(channel+" flicker")))}
	for k := range f.value {
		constant := math.Pow(10, float64(k-1)) // s
		f.keep[k] = math.Exp(-1 / (rate * constant))
		f.add[k] = size * math.Sqrt(1-f.keep[k]*f.keep[k])
		f.value[k] = size * f.random.NormFloat64()
	}
	return f
}

func (f *flicker) next() (sum float64) {
	for k := range f.value {
		f.value[k] = f.keep[k]*f.value[k] + f.add[k]*f.random.NormFloat64()
		sum += f.value[k]
	}
	return sum
}
