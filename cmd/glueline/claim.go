package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"glueline/pipeline/group"
	"glueline/pipeline/journal"
)

// claims are the journals on a server of others that are this service's.
type claims []*journal.Claim

// claim makes the journals of all groups this service's before it changes anything
// of them. The embedded server's are its by the lock on their folder.
func (c *serveCommand) claim(ctx context.Context, conn *journal.Conn, test string, plans []*group.Plan) (all claims, err error) {
	if c.Nats == "" {
		return nil, nil
	}
	owner, err := c.owner()
	if err == nil {
		owner.Folder, err = folderID(c.Data)
	}
	if err != nil {
		return nil, err
	}
	for _, p := range plans {
		one, err := journal.ClaimJournal(ctx, conn, journal.Group{Test: test, Name: p.Name, AllowOneReplica: c.OneReplica}, owner, c.TakeOver)
		if err != nil {
			return all, c.unclaimed(err)
		}
		all = append(all, one)
	}
	return all, nil
}

// unclaimed says what to do about a journal that is another's.
func (c *serveCommand) unclaimed(err error) error {
	var claimed *journal.ClaimedError
	if !errors.As(err, &claimed) {
		return err
	}
	return fmt.Errorf("%w. A journal has one service: two would trim what the other has not archived. Stop that one, or give this test another name. If it is dead, its claim ends in %s; "+
		"to take the journal all the same, so that the other stops: --take-over", err, claimed.Lasts.Round(time.Second))
}

// keep has the claims renewed. It ends with an error when another has one of them.
func (all claims) keep(crew *crew) {
	for _, one := range all {
		crew.start(func(ctx context.Context) error {
			err := one.Keep(ctx)
			if err != nil {
				err = fmt.Errorf("another service has taken the journal over, so this one stops: %w", err)
			}
			return err
		})
	}
}

// endWithin is how long a server may take to hear that the claims are over. One
// that does not hear it goes by their age.
const endWithin = 2 * time.Second

// end gives the journals free.
func (all claims) end(log *slog.Logger) {
	ctx, cancel := context.WithTimeout(context.Background(), endWithin)
	defer cancel()
	for _, one := range all {
		if err := one.End(ctx); err != nil {
			log.Warn("the claim to the journal ends by itself, in half a minute", "err", err)
		}
	}
}

// lockJournal locks the folder of the embedded journal.
func (c *serveCommand) lockJournal(ctx context.Context) (unlock func(), err error) {
	if c.Nats != "" {
		return func() {}, nil
	}
	owner, err := c.owner()
	if err == nil {
		err = os.MkdirAll(c.journalDir(), 0o755)
	}
	if err != nil {
		return nil, fmt.Errorf("journal folder: %w", err)
	}
	return lockJournal(ctx, c.journalDir(), owner)
}

// owner is this process with its data folder, without that folder's name of its own.
func (c *serveCommand) owner() (journal.Owner, error) {
	path, err := filepath.Abs(c.Data)
	if err != nil {
		return journal.Owner{}, fmt.Errorf("data folder: %w", err)
	}
	return journal.Owner{Data: path, Host: hostName(), PID: os.Getpid(), Since: time.Now().UTC()}, nil
}

// idFile in a data folder holds text that no other has, but its copies.
const idFile = "folder-id"

// folderID reads it, and makes it at the first time.
func folderID(dir string) (string, error) {
	path := filepath.Join(dir, idFile)
	text, err := os.ReadFile(path)
	if id := strings.TrimSpace(string(text)); err == nil && id != "" {
		return id, nil
	}
	if err == nil || errors.Is(err, fs.ErrNotExist) {
		text = []byte(rand.Text() + "\n")
		err = os.WriteFile(path, text, 0o644)
	}
	if err != nil {
		return "", fmt.Errorf("name of the data folder: %w", err)
	}
	return strings.TrimSpace(string(text)), nil
}

func hostName() string {
	name, err := os.Hostname()
	if err != nil {
		return "a machine without a name"
	}
	return name
}
