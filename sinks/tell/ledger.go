package tell

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"sync"
	"time"
)

// Line is one of a ledger: exactly one of Decided, Sent, Failed and GivenUp.
type Line struct {
	At      time.Time `json:"at"` // by the clock of the machine
	Decided *Message  `json:"decided,omitempty"`
	Ways    []string  `json:"ways,omitempty"` // with Decided: those that it is to go by
	Sent    string    `json:"sent,omitempty"` // id
	Failed  string    `json:"failed,omitempty"`
	GivenUp string    `json:"given_up,omitempty"`
	Way     string    `json:"way,omitempty"`
	Error   string    `json:"error,omitempty"`
}

// ReadLedger reads a ledger; there need not be one. A last line that is cut off
// is left out, and so is what is no line of a ledger: their number is damaged.
func ReadLedger(path string) (lines []Line, damaged int, err error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, fmt.Errorf("ledger of alarms: %w", err)
	}
	lines, damaged = parseLedger(text)
	return lines, damaged, nil
}

func parseLedger(text []byte) (lines []Line, damaged int) {
	for len(text) > 0 {
		one, rest, whole := bytes.Cut(text, []byte("\n"))
		text = rest
		var l Line
		if err := json.Unmarshal(one, &l); err != nil || !whole || l.Decided == nil && l.Sent+l.Failed+l.GivenUp == "" {
			damaged++
			continue
		}
		lines = append(lines, l)
	}
	return lines, damaged
}

// Deliveries are what lines of a ledger say became of each message, by its id: one
// a way, in the order in which they were decided. What was neither sent nor given
// up waits. Tries are at least so many: not every failure has a line.
func Deliveries(lines []Line) map[string][]Delivery {
	all := map[string][]Delivery{}
	for _, l := range lines {
		if m := l.Decided; m != nil && all[m.ID] == nil {
			all[m.ID] = []Delivery{}
			for _, way := range l.Ways {
				all[m.ID] = append(all[m.ID], Delivery{ID: m.ID, Who: m.Who, Way: way, Subject: m.Subject, Decided: l.At})
			}
			if len(l.Ways) == 0 && m.Who != "" {
				all[m.ID] = append(all[m.ID], Delivery{ID: m.ID, Who: m.Who, Subject: m.Subject, Decided: l.At, Error: noWay})
			}
			continue
		}
		id := l.Sent + l.Failed + l.GivenUp
		of := all[id]
		if len(of) == 0 {
			continue // the line that decided it was damaged
		}
		i := slices.IndexFunc(of, func(d Delivery) bool { return d.Way == l.Way || d.Way == "" })
		if i < 0 { // the file of ways has had others since, and it waits for none of the former
			one := Delivery{ID: id, Who: of[0].Who, Subject: of[0].Subject, Decided: of[0].Decided}
			of = append(slices.DeleteFunc(of, func(d Delivery) bool { return d.Sent.IsZero() && !d.GivenUp }), one)
			i = len(of) - 1
		}
		d := &of[i]
		d.Way, d.Error = l.Way, l.Error
		d.Tries++
		switch {
		case l.Sent != "":
			d.Sent = l.At
		case l.GivenUp != "":
			d.GivenUp = true
			d.Tries--
		}
		all[id] = of
	}
	return all
}

// noWay is why nothing is sent to whom the file of ways does not know.
const noWay = "no way is known"

// ledger is a ledger being written. What the disk does not take is kept and
// written with the next line: nobody who is to be told waits for a disk.
type ledger struct {
	mutex sync.Mutex
	file  *os.File
	size  int64  // of whole lines
	owed  []byte // lines that the disk has not taken
}

func openLedger(path string) (*ledger, []Line, int, error) {
	lines, damaged, err := ReadLedger(path)
	if err != nil {
		return nil, nil, 0, err
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, nil, 0, fmt.Errorf("ledger of alarms: %w", err)
	}
	l := &ledger{file: f}
	if l.size, err = endOfLines(f); err != nil {
		return nil, nil, 0, errors.Join(fmt.Errorf("ledger of alarms: %w", err), f.Close())
	}
	return l, lines, damaged, nil
}

// endOfLines is where the last whole line ends.
func endOfLines(f *os.File) (int64, error) {
	info, err := f.Stat()
	if err != nil {
		return 0, err
	}
	end := info.Size()
	for one := make([]byte, 1); end > 0; end-- {
		if _, err := f.ReadAt(one, end-1); err != nil {
			return 0, err
		}
		if one[0] == '\n' {
			break
		}
	}
	return end, f.Truncate(end)
}

// write appends a line; an error means that it is owed.
func (l *ledger) write(line Line) error {
	text, err := json.Marshal(line)
	if err != nil {
		return err
	}
	l.mutex.Lock()
	defer l.mutex.Unlock()
	l.owed = append(append(l.owed, text...), '\n')
	return l.pay()
}

func (l *ledger) pay() error {
	if len(l.owed) == 0 {
		return nil
	}
	n, err := l.file.WriteAt(l.owed, l.size)
	if err != nil {
		return err // the same bytes go to the same place the next time
	}
	l.size += int64(n)
	l.owed = l.owed[:0]
	return nil
}

// sync returns when every line is on the disk.
func (l *ledger) sync() error {
	l.mutex.Lock()
	err := l.pay()
	l.mutex.Unlock()
	if err == nil {
		err = l.file.Sync() // beside what is written meanwhile
	}
	if err != nil {
		return fmt.Errorf("ledger of alarms: %w", err)
	}
	return nil
}

func (l *ledger) close() error { return errors.Join(l.sync(), l.file.Close()) }
