package drift

import "math"

// early returns the logarithm of the chance that jumps which come at any time,
// from the first of them on, are as crowded at the beginning as these: a contact
// goes on jumping, what settles does not. It is 0 where they are not crowded.
func (f *findings) early(cuts []int) float64 {
	k := len(cuts)
	if k < 3 {
		return 0
	}
	first, last := f.at[cuts[0]], f.at[len(f.at)-1]
	least := 0.0
	for m := 2; m <= k; m++ {
		part := (f.at[cuts[m-1]] - first + 1) / (last - first + 1)
		least = min(least, atLeast(k-1, m-1, part)+math.Log(float64(k)))
	}
	return least
}

// underLoad returns the logarithm of the chance that jumps which come at any time
// fall into rests as seldom as these; 0 where they do not fall there seldom.
func (f *findings) underLoad(cuts []int) float64 {
	var resting, within float64
	for i := 1; i < len(f.at); i++ {
		if f.rested[i] {
			resting += f.at[i] - f.at[i-1]
		}
	}
	for _, i := range cuts {
		if f.rested[i] {
			within++
		}
	}
	p := resting / (f.at[len(f.at)-1] - f.at[0])
	k := len(cuts)
	return min(0, atLeast(k, k-int(within), 1-p))
}

// atLeast returns the logarithm of the chance of m successes or more in k trials
// of chance p each (binomial).
func atLeast(k, m int, p float64) float64 {
	var sum float64
	for j := m; j <= k; j++ {
		sum += math.Exp(choose(k, j)) * math.Pow(p, float64(j)) * math.Pow(1-p, float64(k-j))
	}
	return math.Log(max(1e-300, min(1, sum)))
}

func choose(k, j int) float64 {
	of := func(n int) float64 { l, _ := math.Lgamma(float64(n) + 1); return l }
	return of(k) - of(j) - of(k-j)
}
