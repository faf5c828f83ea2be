package disk

// Step is one of the things done in a folder.
type Step string

// The steps, in the order in which a commit takes them.
const (
	Create Step = "create"
	Write  Step = "write"
	Sync   Step = "sync" // a file's contents
	Rename Step = "rename"
	Names  Step = "names" // the folder is synced
	Link   Step = "link"
	Remove Step = "remove"
)

// Watched is a folder in which before is called ahead of every step but
// reading; name is the file's. When it returns an error the step is not done
// and has that error. It is there for tests.
func Watched(f Folder, before func(step Step, name string) error) Folder {
	return watched{f, before}
}

type watched struct {
	Folder
	before func(Step, string) error
}

func (w watched) Create(name string) (File, error) {
	if err := w.before(Create, name); err != nil {
		return nil, err
	}
	f, err := w.Folder.Create(name)
	if err != nil {
		return nil, err
	}
	return watchedFile{f, name, w.before}, nil
}

func (w watched) Rename(from, to string) error {
	if err := w.before(Rename, to); err != nil {
		return err
	}
	return w.Folder.Rename(from, to)
}

func (w watched) Link(from, to string) error {
	if err := w.before(Link, to); err != nil {
		return err
	}
	return w.Folder.Link(from, to)
}

func (w watched) Remove(name string) error {
	if err := w.before(Remove, name); err != nil {
		return err
	}
	return w.Folder.Remove(name)
}

func (w watched) Sync() error {
	if err := w.before(Names, ""); err != nil {
		return err
	}
	return w.Folder.Sync()
}

type watchedFile struct {
	File
	name   string
	before func(Step, string) error
}

func (f watchedFile) Write(p []byte) (int, error) {
	if err := f.before(Write, f.name); err != nil {
		return 0, err
	}
	return f.File.Write(p)
}

func (f watchedFile) Sync() error {
	if err := f.before(Sync, f.name); err != nil {
		return err
	}
	return f.File.Sync()
}
