package thermalfit

// worth says how many readings count for one.
type worth struct {
	inTime float64 // readings in a row that repeat each other
	across float64 // channels at one time that do
	lag1   float64 // autocorrelation of neighbouring residuals
}

// worthOf looks how residuals repeat each other.
//
// Along time: tau = 1 + 2 sum of the autocorrelations, summed in pairs as long as
// a pair is above 0 (initial positive sequence: C. J. Geyer, Statistical Science 7,
// 1992, section 3.3; there for chains, whose pairs are above 0 and fall). The
// variance of a mean of n readings is tau/n of that of one, and so it is of a slope
// where the temperature moves no faster than the residuals do. Lags are of time,
// within a series: a gap is no neighbour.
//
// Across channels: m channels of mean correlation r that are read together count
// for m/(1 + (m-1) r) (L. Kish, Survey Sampling, 1965, 5.4: design effect), since
// an error of the sensor that they share is in all of them.
func worthOf(points []point, residuals []float64) worth {
	w := worth{inTime: 1, across: 1}
	var squares float64
	for _, e := range residuals {
		squares += e * e
	}
	n := len(points)
	if squares == 0 {
		return w
	}
	variance := squares / float64(n)
	var longest int64
	for from, i := 0, 0; i < n; i++ {
		if points[i].series != points[from].series {
			from = i
		}
		longest = max(longest, points[i].index-points[from].index)
	}
	at := func(lag int64) (rho float64, ok bool) {
		var sum float64
		var pairs, j int
		for i, p := range points {
			for j < n && (points[j].series < p.series || points[j].series == p.series && points[j].index < p.index+lag) {
				j++
			}
			if j < n && points[j].series == p.series && points[j].index == p.index+lag {
				sum += residuals[i] * residuals[j]
				pairs++
			}
		}
		// Lags that few readings have between them tell nothing.
		return sum / float64(pairs) / variance, pairs >= max(2, n/10)
	}
	w.lag1, _ = at(1)
	w.lag1 = max(-1, min(1, w.lag1)) // there are fewer products than squares, so that it may come out above 1
	tau := -1.0
	for lag := int64(0); lag < longest/2; lag += 2 {
		even, ok := at(lag)
		odd, also := at(lag + 1)
		if pair := even + odd; ok && also && pair > 0 {
			tau += 2 * pair
			continue
		}
		break
	}
	w.inTime = max(1, tau)

	// Sums over the channels of one stretch give the products of all pairs.
	type together struct{ sum, squares, count float64 }
	all := map[int64]together{}
	for i, p := range points {
		t := all[p.index]
		t.sum += residuals[i]
		t.squares += residuals[i] * residuals[i]
		t.count++
		all[p.index] = t
	}
	var products, pairs, size, sizes float64
	for _, p := range points { // in order, so that sums are the same each time
		t, ok := all[p.index]
		if !ok {
			continue
		}
		delete(all, p.index)
		products += t.sum*t.sum - t.squares
		pairs += t.count * (t.count - 1)
		size += t.count
		sizes += t.count * t.count
	}
	if pairs > 0 {
		if r := products / pairs / variance; r > 0 {
			w.across = 1 + (sizes/size-1)*min(1, r)
		}
	}
	return w
}
