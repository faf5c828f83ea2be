package verify

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// folder is what one folder holds, by name.
type folder struct {
	path  string
	label string // what reports call it, with a slash behind it; "" for the folder that was given
	isRaw bool
	cuts  map[string][]uint64 // that have a record, by group, rising
	rest  map[string]bool     // names that nothing has explained yet
	lost  map[string]bool     // records that are named as missing or damaged: nobody knows what they listed
	bytes int64
}

var (
	recordName = regexp.MustCompile(`^(.+)\.(\d{8,})\.commit\.json$`)
	fileName   = regexp.MustCompile(`^(.+?)\.(\d{8,})\.(.+)\.arrow$`)
)

// ours are files beside segments and records that belong to a revision: what it
// is, states that the raw archive does not have, and what is left of its making.
var ours = []*regexp.Regexp{
	regexp.MustCompile(`^(revision|checked|released)\.json$`),
	regexp.MustCompile(`^.+\.\d{8,}\.state\.json$`),
	regexp.MustCompile(`^\..+\.\d{8,}\.(claim|made\.json)$`),
}

func list(path, label string, isRaw bool) (*folder, error) {
	entries, err := os.ReadDir(path)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	f := &folder{path: path, label: label, isRaw: isRaw, cuts: map[string][]uint64{}, rest: map[string]bool{}, lost: map[string]bool{}}
	for _, e := range entries {
		if e.IsDir() {
			continue
		}
		f.rest[e.Name()] = true
		if info, err := e.Info(); err == nil {
			f.bytes += info.Size()
		}
		if m := recordName.FindStringSubmatch(e.Name()); m != nil {
			cut, err := strconv.ParseUint(m[2], 10, 64)
			if err != nil || fmt.Sprintf("%08d", cut) != m[2] {
				continue
			}
			f.cuts[m[1]] = append(f.cuts[m[1]], cut)
			delete(f.rest, e.Name())
		}
	}
	for _, cuts := range f.cuts {
		slices.Sort(cuts)
	}
	return f, nil
}

func (f *folder) groups() []string {
	var names []string
	for name := range f.cuts {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// newest is the highest cut of a group that has a record.
func (f *folder) newest(group string) (cut uint64, ok bool) {
	cuts := f.cuts[group]
	if len(cuts) == 0 {
		return 0, false
	}
	return cuts[len(cuts)-1], true
}

func (f *folder) file(name string) string { return filepath.Join(f.path, name) }

// leftOver judges what no record has explained.
func (w *walk) leftOver(f *folder) {
	var names []string
	for name := range f.rest {
		names = append(names, name)
	}
	slices.Sort(names)
	var unfinished []string
	for _, name := range names {
		if strings.HasPrefix(name, ".") && strings.Contains(name, ".tmp-") {
			unfinished = append(unfinished, name)
			continue
		}
		if m := fileName.FindStringSubmatch(name); m != nil {
			cut, _ := strconv.ParseUint(m[2], 10, 64) // digits; one too large belongs to no cut
			newest, any := f.newest(m[1])
			switch {
			case f.lost[nameOf(m[1], cut)]:
			case any && cut == newest+1 || !any && cut == 0:
				w.note("%s%s belongs to a cut that is not committed: serve was stopped in between, or is at it now, and makes it again", f.label, name)
			default:
				w.damage(f, m[1], FileUnlisted, name, "no commit record lists it")
			}
			continue
		}
		if strings.HasSuffix(name, ".json") {
			if r, err := f.decode(name); err == nil && r.group != "" {
				w.damage(f, r.group, RecordDoubled, name, fmt.Sprintf("it is a record of cut %d of group %s under another name", r.cut, r.group))
				continue
			}
		}
		if slices.ContainsFunc(ours, func(p *regexp.Regexp) bool { return p.MatchString(name) }) {
			continue
		}
		w.note("%s%s is nothing of ours", f.label, name)
	}
	if len(unfinished) > 0 {
		w.note("%s%s and %d more are being written, or were when a process was stopped: serve removes what is left at its start",
			f.label, unfinished[0], len(unfinished)-1)
	}
}
