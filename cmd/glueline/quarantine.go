package main

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"glueline/pipeline/frame"
	"glueline/pipeline/journal"
	"glueline/pipeline/printable"
	"glueline/pipeline/worker"
)

type quarantineCommand struct {
	List     quarantineList     `cmd:"" default:"withargs" help:"List the messages that were refused, and what to do."`
	Show     quarantineShow     `cmd:"" help:"Show one of them, or save its data."`
	TakeBack quarantineTakeBack `cmd:"" name:"take-back" help:"Bring sound frames of a source, refused for their boot, their lateness or the test file, to the journal again."`
}

type quarantineList struct {
	Data string `default:"glueline-data" help:"Data folder of the service."`
	All  bool   `help:"A row a message, also where many are alike."`
	JSON bool   `help:"As JSON."`
}

type quarantineShow struct {
	Which string `arg:"" help:"Its number in the list, for example 3 or main/3."`
	Data  string `default:"glueline-data" help:"Data folder of the service."`
	Save  string `help:"File for its data, which must not be there yet."`
}

// refusedMessage is what the service tells of a message in quarantine.
type refusedMessage struct {
	Which   string    `json:"which"` // GROUP/NUMBER
	Seq     uint64    `json:"sequence"`
	Journal string    `json:"journal"`
	Subject string    `json:"subject"`
	Source  string    `json:"source,omitempty"`
	Boot    string    `json:"boot,omitempty"`
	Frame   string    `json:"frame,omitempty"`
	Reason  string    `json:"reason"`
	Detail  string    `json:"detail"`
	Stored  time.Time `json:"stored"`
	Data    []byte    `json:"data,omitempty"`
	Missing int       `json:"missing_bytes,omitempty"` // at the end of Data
}

func refusedOf(group string, r journal.Refused) refusedMessage {
	get := func(key string) string {
		if v := r.Header[key]; len(v) > 0 {
			return v[0]
		}
		return ""
	}
	return refusedMessage{
		Which: fmt.Sprintf("%s/%d", group, r.Number), Seq: r.Seq, Journal: r.Journal, Subject: r.Subject,
		Source: get(frame.HeaderSource), Boot: get(frame.HeaderBoot), Frame: get(frame.HeaderFrame),
		Reason: string(r.Reason), Detail: r.Detail, Stored: r.Stored, Data: r.Data, Missing: r.Cut,
	}
}

// quarantine answers GET /quarantine and GET /quarantine/GROUP/NUMBER.
func (s *service) quarantine(w http.ResponseWriter, r *http.Request) {
	which := strings.TrimPrefix(strings.TrimPrefix(r.URL.Path, "/quarantine"), "/")
	if which == "" {
		all := []refusedMessage{}
		for _, g := range s.groups {
			refused, err := g.journal.Refusals(r.Context())
			if err != nil {
				http.Error(w, fmt.Sprintf("group %s: %v", g.plan.Name, err), http.StatusServiceUnavailable)
				return
			}
			for _, one := range refused {
				all = append(all, refusedOf(g.plan.Name, one))
			}
		}
		answer(w, all)
		return
	}
	g, number, err := s.refusedBy(which)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	switch one, err := g.journal.Show(r.Context(), number); {
	case errors.Is(err, journal.ErrGap):
		http.Error(w, fmt.Sprintf("no message %s is in quarantine", which), http.StatusNotFound)
	case err != nil:
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
	default:
		answer(w, refusedOf(g.plan.Name, one))
	}
}

// refusedBy reads "NUMBER", where there is one group, or "GROUP/NUMBER".
func (s *service) refusedBy(which string) (*liveGroup, uint64, error) {
	name, text := "", which
	if i := strings.LastIndexByte(which, '/'); i >= 0 {
		name, text = which[:i], which[i+1:]
	}
	number, err := strconv.ParseUint(text, 10, 64)
	if err != nil || number == 0 {
		return nil, 0, fmt.Errorf("%q is no number of the list", which)
	}
	var names []string
	for _, g := range s.groups {
		if g.plan.Name == name || name == "" && len(s.groups) == 1 {
			return g, number, nil
		}
		names = append(names, g.plan.Name)
	}
	return nil, 0, fmt.Errorf("%q: write GROUP/NUMBER; the groups are %s", which, strings.Join(names, ", "))
}

// Run lists the quarantine.
func (c *quarantineList) Run(ctx context.Context, s streams) error {
	service := newControl(c.Data)
	if c.JSON {
		return service.copy(ctx, "/quarantine", s.out)
	}
	var all []refusedMessage
	if err := service.call(ctx, "GET", "/quarantine", nil, &all); err != nil {
		return err
	}
	if len(all) == 0 {
		fmt.Fprintln(s.out, "Nothing is in quarantine.")
		return nil
	}
	printRefused(s.out, all, c.All)
	return nil
}

// printRefused writes the messages, those alike and next to one another in one
// row, and what to do about them.
func printRefused(w io.Writer, all []refusedMessage, each bool) {
	t := table{head: []string{"which", "messages", "refused", "source", "frame", "reason", "detail"},
		right: []bool{false, true, false, false, true, false, false}}
	var kinds []worker.RefusedOf
	for i := 0; i < len(all); {
		first, n := all[i], 1
		for i+n < len(all) && !each && first.alike(&all[i+n]) {
			n++
		}
		last := all[i+n-1]
		i += n
		which, numbers := first.Which, first.Frame
		if n > 1 {
			which += " to " + last.Which[strings.LastIndexByte(last.Which, '/')+1:]
			numbers += " to " + last.Frame
		}
		t.rows = append(t.rows, []string{which, fmt.Sprint(n), moment(first.Stored.UnixNano()), dash(first.Source), dash(numbers), first.Reason, first.about()})
		if k := (worker.RefusedOf{Source: first.Source, Reason: first.Reason}); !slices.Contains(kinds, k) {
			kinds = append(kinds, k)
		}
	}
	t.write(w)
	fmt.Fprintln(w, "\nWhat to do")
	for _, of := range byReason(kinds) {
		var b strings.Builder
		paragraph(&b, "  ", "    ", printable.Text(strings.TrimSpace(strings.Join(sourcesOfThese(of), ", ")+" "+of[0].Reason)+": "+remedyOfThese(of)))
		fmt.Fprint(w, b.String())
	}
	fmt.Fprintln(w, "\nLook at one with: glueline quarantine show WHICH. Past 64 MB a group the oldest are dropped.")
}

// byReason puts together what was refused for one reason: what to do about it is
// said once.
func byReason(all []worker.RefusedOf) [][]worker.RefusedOf {
	var by [][]worker.RefusedOf
	for _, r := range all {
		at := slices.IndexFunc(by, func(of []worker.RefusedOf) bool { return of[0].Reason == r.Reason })
		if at < 0 {
			at, by = len(by), append(by, nil)
		}
		by[at] = append(by[at], r)
	}
	return by
}

// sourcesOfThese are the sources, of those that have one.
func sourcesOfThese(of []worker.RefusedOf) (names []string) {
	for _, r := range of {
		if r.Source != "" {
			names = append(names, r.Source)
		}
	}
	return names
}

// remedyOfThese is what to do about what was refused for one reason.
func remedyOfThese(of []worker.RefusedOf) string {
	source := of[0].Source
	if len(of) > 1 {
		source = "SOURCE"
	}
	return remedy(of[0].Reason, source)
}

// refusedWarnings say how many messages went to quarantine, and what to do.
func refusedWarnings(all []worker.RefusedOf) (lines []string) {
	for _, of := range byReason(all) {
		var counts []string
		for _, r := range of {
			whose := "of no source"
			if r.Source != "" {
				whose = "of source " + r.Source
			}
			counts = append(counts, fmt.Sprintf("%s %s", count(int(r.Messages), "message"), whose))
		}
		lines = append(lines, fmt.Sprintf("%s went to quarantine since the start: %s. %s", strings.Join(counts, ", "), of[0].Reason, remedyOfThese(of)))
	}
	return lines
}

// alike says whether the next message was refused as this one was.
func (r *refusedMessage) alike(next *refusedMessage) bool {
	group := func(which string) string { return which[:strings.LastIndexByte(which, '/')] }
	return r.Reason == next.Reason && r.Source == next.Source && r.Boot == next.Boot && group(r.Which) == group(next.Which) &&
		(r.Detail == next.Detail || r.Reason == "too-old")
}

// about is the detail, with the boot where it does not say it.
func (r *refusedMessage) about() string {
	text := r.Detail
	if r.Boot != "" && !strings.Contains(text, r.Boot) {
		text += "; boot " + r.Boot
	}
	return printable.Text(text)
}

// Run shows one message.
func (c *quarantineShow) Run(ctx context.Context, s streams) error {
	group, number, both := strings.Cut(c.Which, "/")
	path := "/quarantine/" + url.PathEscape(group)
	if both {
		path += "/" + url.PathEscape(number)
	}
	var r refusedMessage
	if err := newControl(c.Data).call(ctx, "GET", path, nil, &r); err != nil {
		return err
	}
	if c.Save != "" {
		f, err := os.OpenFile(c.Save, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if err != nil {
			return fmt.Errorf("save the message: %w", err)
		}
		_, err = f.Write(r.Data)
		if err := errors.Join(err, f.Close()); err != nil {
			return fmt.Errorf("save the message: %w", err)
		}
	}
	r.print(s.out)
	if c.Save != "" {
		fmt.Fprintf(s.out, "\n%d bytes are in %s.\n", len(r.Data), c.Save)
	}
	return nil
}

// shownBytes of the data are enough to see what it is.
const shownBytes = 256

func (r *refusedMessage) print(w io.Writer) {
	for _, line := range [][2]string{
		{"which", printable.Text(r.Which)}, {"message", fmt.Sprintf("%d of the journal %s", r.Seq, r.Journal)}, {"subject", printable.Text(r.Subject)},
		{"source", dash(r.Source)}, {"boot", dash(r.Boot)}, {"frame", dash(r.Frame)},
		{"refused", moment(r.Stored.UnixNano())}, {"reason", r.Reason}, {"detail", printable.Text(r.Detail)},
		{"data", fmt.Sprintf("%d bytes", len(r.Data)+r.Missing)},
	} {
		fmt.Fprintf(w, "%-8s %s\n", line[0], line[1])
	}
	if r.Missing > 0 {
		fmt.Fprintf(w, "         of which the quarantine has the first %d\n", len(r.Data))
	}
	head := r.Data[:min(len(r.Data), shownBytes)]
	switch {
	case len(head) == 0:
		return
	case isText(head, len(head) < len(r.Data)):
		fmt.Fprintf(w, "\n%s\n", strings.TrimRight(string(head), "\n"))
	default:
		fmt.Fprintf(w, "\n%s", hex.Dump(head))
	}
	if len(head) < len(r.Data) {
		fmt.Fprintln(w, "…")
	}
}

// isText reports whether bytes can be shown as they are, without moving the
// cursor; cut text may end within a character.
func isText(b []byte, cut bool) bool {
	for i := 0; i < len(b); {
		r, n := utf8.DecodeRune(b[i:])
		if r == utf8.RuneError && n < 2 {
			return cut && !utf8.FullRune(b[i:])
		}
		if !unicode.IsPrint(r) && r != '\n' && r != '\t' && !bytes.HasPrefix(b[i:], []byte("\r\n")) {
			return false
		}
		i += n
	}
	return true
}

func dash(text string) string {
	if text == "" {
		return "-"
	}
	return printable.Text(text)
}
