package drift

import (
	"math"
	"slices"
)

// A dating is when something began, in hours: what is as likely too early as too
// late, and the nine tenths about it.
type dating struct{ from, at, to float64 }

// hours are those at which something may have begun, up to a last one: every hour,
// whether there is a zero or not.
func (s *series) hours(last float64) (all []float64) {
	for t := s.at[0] - 0.5; t <= last; t++ {
		all = append(all, t)
	}
	return all
}

// likelihoods returns for each of some hours the logarithm of how well a law that
// acts from there on fits a quantity beside its base columns, against the best of
// them; nil if it never does. The deviations are taken as normal, of a size that is
// not known but least at least, and as many as their colour leaves independent.
func (s *series) likelihoods(hours, y []float64, base [][]float64, l law, least float64) []float64 {
	plain := newLeast(y, base...)
	best := trial{least: plain, best: math.Inf(1)}
	left := make([]float64, len(hours))
	for i, t := range hours {
		own := trial{least: plain, best: math.Inf(1)}
		own.all(t, l)
		if left[i] = own.best; own.columns != nil {
			best.try(t, own.columns...)
		}
	}
	if best.columns == nil {
		return nil
	}
	n := float64(len(y))
	rho := colour(newLeast(y, append(slices.Clone(base), best.columns...)...).residual)
	free := max(4, n*(1-rho)/(1+rho))
	floor := n * least * least
	for i := range left {
		left[i] = free / 2 * math.Log((best.best+floor)/(left[i]+floor))
	}
	return left
}

// middle dates by the logarithms of likelihoods, each hour having had the same
// chance beforehand. An hour without readings is as likely as those beside it, so
// that what began in the night is put into the middle of it.
func middle(hours, logs []float64) dating {
	top := slices.Max(logs)
	var sum float64
	for _, l := range logs {
		sum += math.Exp(l - top)
	}
	point := func(part float64) float64 {
		var so float64
		for i, l := range logs {
			if so += math.Exp(l-top) / sum; so >= part {
				return hours[i]
			}
		}
		return hours[len(hours)-1]
	}
	return dating{point(0.05), point(0.5), point(0.95)}
}

// until is what was known up to an hour.
func (f *findings) until(last float64) *findings {
	n := 0
	for n < len(f.at) && f.at[n] <= last {
		n++
	}
	s, g := *f.series, *f
	s.at, s.ones, s.cycles = s.at[:n], s.ones[:n], s.cycles[:n]
	for i := range s.wet {
		s.wet[i] = s.wet[i][:n]
	}
	g.series = &s
	return &g
}
