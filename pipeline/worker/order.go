package worker

import "slices"

// seenBack is how far behind the newest frame one may still come and be taken.
const seenBack = 1024

// formerBoots is how many boots of a source are remembered.
const formerBoots = 64

// sourceOrder knows which frames of a source have come.
type sourceOrder struct {
	Boot    string   `json:"boot"`
	Next    uint64   `json:"next"`              // number of the frame that follows
	Missing []uint64 `json:"missing,omitempty"` // below Next, rising
	Former  []string `json:"former,omitempty"`  // boots, oldest first
}

// verdict is what the order makes of a frame.
type verdict uint8

const (
	taken     verdict = iota
	takenLate         // unseen, but one with a higher number came before it
	repeated          // seen: drop it
	tooOld            // so far behind that nobody knows whether it was seen
	oldBoot           // of a boot that another has followed
)

// take decides on a frame and remembers it.
func (o *sourceOrder) take(boot string, number uint64) verdict {
	switch {
	case boot != o.Boot && slices.Contains(o.Former, boot):
		return oldBoot
	case boot != o.Boot:
		if o.Boot != "" {
			o.Former = append(o.Former, o.Boot)
			o.Former = o.Former[max(0, len(o.Former)-formerBoots):]
		}
		o.Boot, o.Next, o.Missing = boot, number, nil
		o.miss(number-min(number, seenBack), number)
		o.Next++
		return taken
	case number >= o.Next:
		o.miss(max(o.Next, number-min(number, seenBack)), number)
		o.Next = number + 1
		i := 0
		for i < len(o.Missing) && o.Missing[i]+seenBack < o.Next {
			i++
		}
		o.Missing = slices.Delete(o.Missing, 0, i)
		return taken
	case number+seenBack < o.Next:
		return tooOld
	}
	if i, found := slices.BinarySearch(o.Missing, number); found {
		o.Missing = slices.Delete(o.Missing, i, i+1)
		return takenLate
	}
	return repeated
}

func (o *sourceOrder) miss(from, to uint64) {
	for n := from; n < to; n++ {
		o.Missing = append(o.Missing, n)
	}
}
