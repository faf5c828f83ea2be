package verify

import "slices"

// numbers is a set of frame numbers, as ranges that rise and do not touch.
type numbers struct{ ranges []span }

type span struct{ from, to uint64 } // to is not in it

// add adds count numbers. When some are there already it names the first.
func (n *numbers) add(from, count uint64) (twice uint64, again bool) {
	if count == 0 {
		return 0, false
	}
	to := from + count
	// The ranges that touch or overlap the new one become one with it.
	i, _ := slices.BinarySearchFunc(n.ranges, from, func(s span, from uint64) int {
		if s.to < from {
			return -1
		}
		return 1
	})
	j := i
	whole := span{from, to}
	for ; j < len(n.ranges) && n.ranges[j].from <= to; j++ {
		s := n.ranges[j]
		if !again && s.from < to && s.to > from {
			twice, again = max(s.from, from), true
		}
		whole.from, whole.to = min(whole.from, s.from), max(whole.to, s.to)
	}
	n.ranges = slices.Replace(n.ranges, i, j, whole)
	return twice, again
}

// missing counts the numbers between the lowest and the highest that are not
// there, and names the first.
func (n *numbers) missing() (count, first uint64) {
	for i := 1; i < len(n.ranges); i++ {
		if count == 0 {
			first = n.ranges[i-1].to
		}
		count += n.ranges[i].from - n.ranges[i-1].to
	}
	return count, first
}
