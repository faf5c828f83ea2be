// Package powerloss is a disk in memory whose power can be cut ahead of any
// step, for tests of what is written with commit records. What survives is what
// the rules of POSIX promise and not more: the contents of a file as of its last
// sync, the names of a folder as of the folder's; of what came after, each
// change of a name may have reached the disk or not, in any order.
package powerloss

import (
	"bytes"
	"errors"
	"io/fs"
	"maps"
	"slices"

	"glueline/sinks/disk"
)

// ErrOff occurs when the power is off.
var ErrOff = errors.New("the power is off")

// Disk holds folders. It is used by one goroutine at a time.
type Disk struct {
	OffAt int // the step ahead of which the power goes, from 1; 0 is never
	Skip  int // the sync, of files and names, that is left out unnoticed, from 1; 0 is none

	Steps int // taken
	Syncs []SyncAsked

	folders map[string]*folder
}

// SyncAsked is a sync that was asked for.
type SyncAsked struct {
	What string
	Step int
}

// file is a file's contents, under however many names.
type file struct {
	data   []byte
	synced []byte
}

type folder struct {
	disk    *Disk
	name    string
	names   map[string]*file
	durable map[string]*file
}

// Folder returns a folder, a new one when there is none of that name.
func (d *Disk) Folder(name string) disk.Folder {
	if d.folders == nil {
		d.folders = map[string]*folder{}
	}
	f := d.folders[name]
	if f == nil {
		f = &folder{disk: d, name: name, names: map[string]*file{}, durable: map[string]*file{}}
		d.folders[name] = f
	}
	return f
}

// step is taken ahead of each.
func (d *Disk) step() error {
	if d.OffAt > 0 && d.Steps+1 >= d.OffAt {
		return ErrOff
	}
	d.Steps++
	return nil
}

// sync says whether it is to be done.
func (d *Disk) sync(what string) bool {
	d.Syncs = append(d.Syncs, SyncAsked{what, d.Steps})
	return len(d.Syncs) != d.Skip
}

func (f *folder) Create(name string) (disk.File, error) {
	if err := f.disk.step(); err != nil {
		return nil, err
	}
	there := f.names[name]
	if there == nil {
		there = new(file)
		f.names[name] = there
	}
	there.data = nil
	return &open{f, name, there}, nil
}

func (f *folder) Rename(from, to string) error {
	if err := f.disk.step(); err != nil {
		return err
	}
	there := f.names[from]
	if there == nil {
		return fs.ErrNotExist
	}
	f.names[to] = there
	delete(f.names, from)
	return nil
}

func (f *folder) Link(from, to string) error {
	if err := f.disk.step(); err != nil {
		return err
	}
	there := f.names[from]
	switch {
	case there == nil:
		return fs.ErrNotExist
	case f.names[to] != nil:
		return fs.ErrExist
	}
	f.names[to] = there
	return nil
}

func (f *folder) Remove(name string) error {
	if err := f.disk.step(); err != nil {
		return err
	}
	if f.names[name] == nil {
		return fs.ErrNotExist
	}
	delete(f.names, name)
	return nil
}

func (f *folder) ReadFile(name string) ([]byte, error) {
	if f.names[name] == nil {
		return nil, fs.ErrNotExist
	}
	return bytes.Clone(f.names[name].data), nil
}

func (f *folder) Sync() error {
	if err := f.disk.step(); err != nil {
		return err
	}
	if f.disk.sync("names of " + f.name) {
		f.durable = maps.Clone(f.names)
	}
	return nil
}

type open struct {
	folder *folder
	name   string
	file   *file
}

func (o *open) Write(p []byte) (int, error) {
	if err := o.folder.disk.step(); err != nil {
		return 0, err
	}
	o.file.data = append(o.file.data, p...)
	return len(p), nil
}

func (o *open) Sync() error {
	if err := o.folder.disk.step(); err != nil {
		return err
	}
	if o.folder.disk.sync(o.folder.name + "/" + o.name) {
		o.file.synced = bytes.Clone(o.file.data)
	}
	return nil
}

func (o *open) Close() error                { return nil }
func (o *open) StartWriteback(int64, int64) {}

// Survivors are the ways in which a disk may look after the power went now. Of
// the names that changed since their folder was synced: none has reached the
// disk, all have, each one alone, all but each one; of the contents, what was
// synced or all. The rest between these is left out.
func (d *Disk) Survivors() []*Disk {
	type place struct {
		folder *folder
		name   string
	}
	var pending []place
	for _, key := range slices.Sorted(maps.Keys(d.folders)) {
		f := d.folders[key]
		names := maps.Clone(f.durable)
		maps.Copy(names, f.names)
		for _, name := range slices.Sorted(maps.Keys(names)) {
			if f.names[name] != f.durable[name] {
				pending = append(pending, place{f, name})
			}
		}
	}
	var all []*Disk
	for _, everything := range []bool{false, true} {
		add := func(reached func(place) bool) {
			out := new(Disk)
			for key, f := range d.folders {
				names := maps.Clone(f.durable)
				for _, p := range pending {
					if p.folder != f || !reached(p) {
						continue
					}
					delete(names, p.name)
					if there := f.names[p.name]; there != nil {
						names[p.name] = there
					}
				}
				to := out.Folder(key).(*folder)
				for name, there := range names {
					data := there.synced
					if everything {
						data = there.data
					}
					data = bytes.Clone(data)
					to.names[name] = &file{data, data}
				}
				to.durable = maps.Clone(to.names)
			}
			all = append(all, out)
		}
		add(func(place) bool { return false })
		add(func(place) bool { return true })
		for _, one := range pending {
			add(func(p place) bool { return p == one })
			add(func(p place) bool { return p != one })
		}
	}
	return all
}

// Files are the contents of a folder by name.
func (d *Disk) Files(name string) map[string][]byte {
	all := map[string][]byte{}
	for n, f := range d.Folder(name).(*folder).names {
		all[n] = f.data
	}
	return all
}
