package worker

import (
	"encoding/binary"
	"hash/crc32"
	"slices"

	"glueline/pipeline/frame"
	"glueline/pipeline/journal"
)

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
	Sums    []byte   `json:"sums,omitempty"`    // of the frames seen, four bytes each, at their number modulo seenBack; 0: not known
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// sumOf tells what a frame holds, for telling a repeat from other rows under its number:
// its payload, and the sample counter, as they were sent. It is never 0.
func sumOf(m *journal.Message) uint32 {
	sum := crc32.Update(crc32.Checksum(m.Data, castagnoli), castagnoli, []byte(m.Get(frame.HeaderCounter)))
	return max(sum, 1)
}

// sum is where the sum of a frame that was taken stands.
func (o *sourceOrder) sum(number uint64) []byte {
	if len(o.Sums) != 4*seenBack { // of an archive from before there were any
		o.Sums = make([]byte, 4*seenBack)
	}
	return o.Sums[4*(number%seenBack):][:4]
}

// remember keeps what a frame that was taken holds.
func (o *sourceOrder) remember(number uint64, sum uint32) {
	binary.LittleEndian.PutUint32(o.sum(number), sum)
}

// other reports whether a frame that was seen held something else.
func (o *sourceOrder) other(number uint64, sum uint32) bool {
	known := binary.LittleEndian.Uint32(o.sum(number))
	return known != 0 && known != sum
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
		clear(o.Sums)
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
