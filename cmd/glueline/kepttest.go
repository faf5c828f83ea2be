package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
	"glueline/sinks/disk"
	"glueline/sinks/verify"
)

// keptFolder holds the test files that a data folder was worked with, so that
// its results can be verified without asking where they are now. Each is in a
// folder of its own, named by what it holds, and never changed.
const keptFolder = "test"

// keptName is the test file's name there; its channel list keeps its own.
const keptName = "test.yaml"

// keptTest is a test file as it is kept.
type keptTest struct {
	test   *testfile.Test
	plans  []*group.Plan
	digest string // of the files, which is the name of their folder
	files  []keptFile
}

type keptFile struct {
	name string
	text []byte
}

// readTest reads and checks a test file and what stands beside it.
func readTest(path string) (*keptTest, error) {
	test, err := testfile.Load(path)
	if err != nil {
		return nil, err
	}
	k := &keptTest{test: test}
	if k.plans, err = plansToReduce(test); err != nil {
		return nil, err
	}
	files := [][2]string{{path, keptName}}
	if list := test.ChannelList.Text; list != "" {
		files = append(files, [2]string{filepath.Join(filepath.Dir(path), list), list})
	}
	sum := sha256.New()
	for _, f := range files {
		text, err := os.ReadFile(f[0])
		if err != nil {
			return nil, fmt.Errorf("read the test file: %w", err)
		}
		fmt.Fprintf(sum, "%s %d\n", f[1], len(text))
		sum.Write(text)
		k.files = append(k.files, keptFile{f[1], text})
	}
	k.digest = hex.EncodeToString(sum.Sum(nil)[:8])
	return k, nil
}

// keep copies a test file, and the channel list beside it, into a data folder,
// unless they are there already.
func (k *keptTest) keep(data string) error {
	all := filepath.Join(data, keptFolder)
	dir := filepath.Join(all, k.digest)
	if _, err := os.Stat(dir); err == nil {
		return nil
	}
	if err := os.MkdirAll(all, 0o755); err != nil {
		return fmt.Errorf("keep the test file: %w", err)
	}
	partial, err := os.MkdirTemp(all, ".partial-*")
	if err != nil {
		return fmt.Errorf("keep the test file: %w", err)
	}
	for _, f := range k.files {
		if err == nil {
			err = writeSynced(filepath.Join(partial, f.name), f.text)
		}
	}
	if err == nil {
		err = publish(partial, dir)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("keep the test file: %w", err), os.RemoveAll(partial))
	}
	return nil
}

// keptTestOf reads the test file of a digest in a data folder. One that is not
// what was kept is no answer.
func keptTestOf(data, digest string) (*keptTest, error) {
	dir := filepath.Join(data, keptFolder, filepath.Base(digest))
	k, err := readTest(filepath.Join(dir, keptName))
	if err != nil {
		return nil, fmt.Errorf("%w; copy that folder from where the journal was worked with", err)
	}
	if k.digest != digest {
		return nil, fmt.Errorf("%s holds another test file (digest %s)", dir, k.digest)
	}
	return k, nil
}

// writeSynced writes a file to the disk, and the folders above it.
func writeSynced(path string, text []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	return errors.Join(err, f.Sync(), f.Close(), disk.At(filepath.Dir(path)).Sync())
}

// keptTests reads the test files of a data folder; those that this program can
// not read any more are named in the error, beside the ones that it can.
func keptTests(data string) ([]verify.Test, error) {
	entries, err := os.ReadDir(filepath.Join(data, keptFolder))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the kept test files: %w", err)
	}
	var tests []verify.Test
	var all error
	for _, e := range entries {
		path := filepath.Join(data, keptFolder, e.Name(), keptName)
		if _, err := os.Stat(path); err != nil {
			continue // being made, or nothing of ours
		}
		plans, err := plansOf(path)
		if err != nil {
			all = errors.Join(all, err)
			continue
		}
		tests = append(tests, verify.Test{Digest: e.Name(), Plans: plans})
	}
	return tests, all
}

func plansOf(path string) ([]*group.Plan, error) {
	test, err := testfile.Load(path)
	if err != nil {
		return nil, err
	}
	return group.Plans(test)
}
