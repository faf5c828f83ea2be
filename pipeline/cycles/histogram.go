package cycles

// Bins is the number of classes of ranges, and of means.
const Bins = 64

// Bin is a class of cycles. Bounds are microstrain; a cycle on a lower bound
// belongs to the class, one on an upper bound to the next.
type Bin struct {
	RangeFrom, RangeTo int32
	MeanFrom, MeanTo   int32
	Halves             uint64 // half cycles, so that counts are whole
}

// histogram counts half cycles by range and mean. Classes of ranges begin at
// 0, those of means lie about 0. Both are as narrow as what has come allows: when
// something does not fit, neighbours are put together and the classes are twice
// as wide. So the widths depend on the widest that ever came and not on the
// order, and at least half of the classes are of use.
type histogram struct {
	rangeShift uint // a class of ranges is 1<<rangeShift microstrain wide
	meanShift  uint // a class of means is 1<<meanShift half microstrains wide: means end in .5
	halves     uint64
	largest    int32
	cells      []uint64 // [range][mean]; nil before the first
}

// add counts cycles of a range and of twice a mean, in microstrain.
func (h *histogram) add(size, twiceMean int32, halves uint64) {
	if h.cells == nil {
		h.cells = make([]uint64, Bins*Bins)
		h.meanShift = 1 // no class is narrower than a microstrain
	}
	for size>>h.rangeShift >= Bins {
		h.widenRanges()
	}
	for m := twiceMean >> h.meanShift; m < -Bins/2 || m >= Bins/2; m = twiceMean >> h.meanShift {
		h.widenMeans()
	}
	h.cells[h.cell(size, twiceMean)] += halves
	h.halves += halves
	h.largest = max(h.largest, size)
}

// cell finds a class; shifting rounds down, for means below 0 too.
func (h *histogram) cell(size, twiceMean int32) int {
	return int(size>>h.rangeShift)*Bins + int(twiceMean>>h.meanShift) + Bins/2
}

func (h *histogram) widenRanges() {
	h.rangeShift++
	for r := range Bins / 2 {
		for m := range Bins {
			h.cells[r*Bins+m] = h.cells[2*r*Bins+m] + h.cells[(2*r+1)*Bins+m]
		}
	}
	clear(h.cells[Bins/2*Bins:])
}

func (h *histogram) widenMeans() {
	h.meanShift++
	for r := range Bins {
		row := h.cells[r*Bins : (r+1)*Bins]
		var wide [Bins]uint64
		for m, n := range row {
			wide[(m-Bins/2)>>1+Bins/2] += n
		}
		copy(row, wide[:])
	}
}

func (h *histogram) clone() histogram {
	other := *h
	other.cells = append([]uint64(nil), h.cells...)
	return other
}

func (h *histogram) list() []Bin {
	var bins []Bin
	for i, n := range h.cells {
		if n == 0 {
			continue
		}
		r, m := int32(i/Bins), int32(i%Bins-Bins/2)
		half := h.meanShift - 1 // microstrain from half microstrains
		bins = append(bins, Bin{r << h.rangeShift, (r + 1) << h.rangeShift, m << half, (m + 1) << half, n})
	}
	return bins
}
