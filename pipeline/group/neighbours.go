package group

import (
	"math"

	"glueline/pipeline/flag"
	"glueline/reduce"
)

// Neighbours is what is known of a channel's readings beside each other. All of
// it is in the unit of the raw readings.
type Neighbours struct {
	On    bool       // there is a reading to compare the next one with
	Last  float64    // that reading
	At    int64      // ns, of the newest reading
	Known bool       // Noise is that of some block of readings
	Noise float64    // mean difference of neighbours over the newest whole block
	Sums  [4]float64 // of the differences of the block in hand, by their place in fours
	N     int        // how many
}

// A difference stands out when it is so many times what neighbouring readings
// differ by, as a mean over the newest block. Common practice, no source.
const (
	outstanding    = 20
	neighbourBlock = 256
)

// stretch is a range of rows that a channel's readings are watched over.
type stretch struct {
	times []int64
	raw   []float64
	mask  []uint32
	seen  flag.Mask // all flags of its rows; those of no row may be among them
	gap   int64     // ns: readings further apart are not compared
	even  bool      // no neighbouring rows are that far apart
}

// pass goes over the rows from i on that differ from those before them as noise
// does, and returns the first that does not, or has one of some flags. floor is
// a difference that does not stand out, whatever the noise.
func (s *Neighbours) pass(rows *stretch, i int, leave flag.Mask, floor float64) int {
	raw, limit := rows.raw, s.limit(floor)
	clean := rows.even && rows.seen&leave == 0
	for i < len(raw) {
		if clean && i > 0 && s.N%4 == 0 {
			n := 4 * reduce.NearFours(raw[i-1:min(len(raw), i+neighbourBlock-s.N)], limit, &s.Sums)
			if n > 0 {
				i, s.N = i+n, s.N+n
				s.Last, s.At = raw[i-1], rows.times[i-1]
				if s.N == neighbourBlock {
					s.average()
					limit = s.limit(floor)
				}
				continue
			}
		}
		d := math.Abs(raw[i] - s.Last)
		if !(d <= limit) || rows.times[i]-s.At > rows.gap || flag.Mask(rows.mask[i])&leave != 0 {
			break
		}
		s.Last, s.At = raw[i], rows.times[i]
		s.Sums[s.N%4] += d
		i++
		if s.N++; s.N == neighbourBlock {
			s.average()
			limit = s.limit(floor)
		}
	}
	return i
}

// average ends a block of differences.
func (s *Neighbours) average() {
	s.Known, s.Noise = true, (s.Sums[0]+s.Sums[1]+s.Sums[2]+s.Sums[3])/neighbourBlock
	s.Sums, s.N = [4]float64{}, 0
}

// limit is the difference beyond which a reading stands out.
func (s *Neighbours) limit(floor float64) float64 {
	if !s.Known {
		return math.MaxFloat64
	}
	return math.Max(outstanding*s.Noise, floor)
}
