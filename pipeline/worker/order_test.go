package worker

import (
	"encoding/json"
	"testing"

	"glueline/pipeline/frame"
	"glueline/pipeline/journal"
)

// A repeat is the same content under the same number; what an archive from before
// the sums does not know counts as the same.
func TestOtherRowsUnderAUsedNumber(t *testing.T) {
	message := func(data, counter string) *journal.Message {
		m := &journal.Message{Data: []byte(data), Header: map[string][]string{}}
		if counter != "" {
			m.Header[frame.HeaderCounter] = []string{counter}
		}
		return m
	}
	// take is what the worker does with a frame: remembered if taken.
	take := func(o *sourceOrder, boot string, number uint64, m *journal.Message) verdict {
		v := o.take(boot, number)
		if v == taken || v == takenLate {
			o.remember(number, sumOf(m))
		}
		return v
	}
	same := message("rows", "7")
	for _, c := range []struct {
		name  string
		now   *journal.Message
		other bool
	}{
		{"the same", message("rows", "7"), false},
		{"other rows", message("rowS", "7"), true},
		{"more rows", message("rows rows", "7"), true},
		{"another counter", message("rows", "8"), true},
		{"no counter", message("rows", ""), true},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := new(sourceOrder)
			for n := range uint64(2*seenBack + 10) {
				take(o, "a", n, message("rows", "1"))
			}
			take(o, "b", 5, same)
			take(o, "b", 9, same)
			if v := take(o, "b", 7, same); v != takenLate {
				t.Fatalf("%v", v)
			}
			for _, n := range []uint64{5, 7, 9} {
				if v := take(o, "b", n, c.now); v != repeated || o.other(n, sumOf(c.now)) != c.other {
					t.Errorf("frame %d: verdict %d, other %v", n, v, o.other(n, sumOf(c.now)))
				}
			}
			// It is the same behind a restart.
			text, err := json.Marshal(o)
			if err != nil {
				t.Fatal(err)
			}
			again := new(sourceOrder)
			if err := json.Unmarshal(text, again); err != nil || again.other(9, sumOf(c.now)) != c.other {
				t.Errorf("behind a restart: %v", err)
			}
			// What is long past leaves its place to what follows.
			for n := uint64(10); n <= 9+seenBack; n++ {
				take(o, "b", n, message("later rows", ""))
			}
			if o.other(9+seenBack, sumOf(message("later rows", ""))) || !o.other(9+seenBack, sumOf(same)) || len(o.Sums) != 4*seenBack {
				t.Error("the newest frame is not known by what it holds")
			}
		})
	}
	old := &sourceOrder{Boot: "a", Next: 3}
	if v := take(old, "a", 2, same); v != repeated || old.other(2, sumOf(same)) {
		t.Errorf("of an archive without sums: %v", v)
	}
}
