package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/pipeline/journal"
	"glueline/pipeline/testfile"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

type serveCommand struct {
	Test       string        `arg:"" name:"testfile" help:"The test file (YAML)."`
	Data       string        `default:"glueline-data" help:"Folder of the archive, the results and, unless --journal says otherwise, the journal."`
	Journal    string        `help:"Folder of the embedded journal, for a disk of its own."`
	JournalMax int64         `default:"8589934592" help:"Bytes that a group's journal may hold before it refuses more."`
	Listen     string        `help:"Address for publishers, for example 127.0.0.1:4222. Without it only this process publishes."`
	HTTP       string        `name:"http" help:"Address for /healthz and /readyz, for example 127.0.0.1:8080; always there on the socket in the data folder."`
	Nats       string        `help:"URL of a server or cluster that is there already, instead of the embedded one."`
	NatsCreds  string        `type:"existingfile" help:"Credentials file for --nats."`
	NatsCA     string        `name:"nats-ca" type:"existingfile" help:"Certificate authority of --nats, PEM."`
	OneReplica bool          `help:"Accept one replica on an external server: what is acknowledged is then lost with one machine."`
	IdleCut    time.Duration `default:"30s" help:"End the files when nothing came for so long."`
	MaxCut     time.Duration `default:"1h" help:"End the files after so long, however little came."`
	StopWithin time.Duration `default:"10s" help:"Longest graceful stop."`

	Lazy        bool  `help:"Acknowledge before the disk has it. When the power fails, up to two minutes of acknowledged readings are gone: for trying things out, not for a test."`
	KeepJournal bool  `help:"Never trim the journal."`
	KeepFree    int64 `default:"-1" help:"Bytes of the journal's disk that stay free: below, publishers are refused until there is room. By default 1 GiB or 5 % of the disk, whichever is less; 0 is no watch."`
	CutBytes    int64 `hidden:"" help:"Raw bytes that end the files of a group. Other bytes, other files: for tests, which cannot wait for 64 MiB."`
}

// Run serves until it is told to stop.
func (c *serveCommand) Run(ctx context.Context, s streams) error {
	return c.serve(ctx, s, slog.New(slog.NewTextHandler(s.err, nil)), nil)
}

// serve serves until it is told to stop, or what goes on during it fails; during
// may be nil, and stop ends it all.
func (c *serveCommand) serve(ctx context.Context, s streams, log *slog.Logger, during func(ctx context.Context, stop func(), conn *journal.Conn, svc *service) error) error {
	test, err := testfile.Load(c.Test)
	if err != nil {
		return err
	}
	plans, err := group.Plans(test)
	if err != nil {
		return err
	}
	for _, dir := range []string{c.Data, filepath.Join(c.Data, rawFolder), filepath.Join(c.Data, reducedFolder)} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return fmt.Errorf("serve: %w", err)
		}
	}
	unlock, err := lockFolder(c.Data)
	if err != nil {
		return err
	}
	defer unlock()
	if err := keepTest(c.Data, c.Test, test); err != nil {
		return err
	}
	for _, folder := range []string{rawFolder, reducedFolder} {
		if err := segment.RemoveTemporary(filepath.Join(c.Data, folder)); err != nil {
			return err
		}
	}
	faults, err := faultsFromEnvironment()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()

	conn, server, err := c.connect(ctx, log)
	if err != nil {
		return err
	}
	defer c.leave(conn, server)
	svc := &service{test: test, data: c.Data, log: log, began: time.Now()}
	for _, p := range plans {
		g, err := c.openGroup(ctx, conn, test, p, log)
		if err != nil {
			return err
		}
		g.faults = faults
		svc.groups = append(svc.groups, g)
	}
	if server != nil && server.URL() != "" {
		fmt.Fprintf(s.out, "Publishers: %s\n", server.URL())
	}
	fmt.Fprintf(s.out, "%s: %d groups, data in %s. Glueline monitors; it is not a protective system.\n", test.About.Name.Text, len(plans), c.Data)
	if c.Lazy {
		fmt.Fprintln(s.out, "Lazy: what is acknowledged is not on the disk yet; when the power fails, up to two minutes of it are gone.")
	}
	var more []func(context.Context) error
	if during != nil {
		more = append(more, func(ctx context.Context) error { return during(ctx, cancel, conn, svc) })
	}
	return c.work(ctx, cancel, svc, server, log, more)
}

// The folders below the data folder.
const (
	rawFolder     = "raw"
	reducedFolder = "r1"
	journalFolder = "journal"
	socketName    = "glueline.sock"
)

// connect starts the embedded server, or connects to one that is there.
func (c *serveCommand) connect(ctx context.Context, log *slog.Logger) (*journal.Conn, *journal.Server, error) {
	if c.Nats != "" {
		if c.Lazy {
			return nil, nil, errors.New("--lazy is of the embedded server; with --nats, the other server's own set-up holds")
		}
		o := journal.ConnectOptions{Credentials: c.NatsCreds, Name: "glueline", Log: log}
		if c.NatsCA != "" {
			pem, err := os.ReadFile(c.NatsCA)
			if err != nil {
				return nil, nil, fmt.Errorf("--nats-ca: %w", err)
			}
			o.TLS = &tls.Config{RootCAs: x509.NewCertPool(), MinVersion: tls.VersionTLS12}
			if !o.TLS.RootCAs.AppendCertsFromPEM(pem) {
				return nil, nil, fmt.Errorf("--nats-ca: %s holds no certificate", c.NatsCA)
			}
		}
		conn, err := journal.Connect(c.Nats, o)
		return conn, nil, err
	}
	store := c.journalDir()
	log.Info("opening the journal", "folder", store)
	server, err := journal.Embedded(ctx, journal.ServerOptions{StoreDir: store, Listen: c.Listen, Lazy: c.Lazy, Log: log})
	if err != nil {
		return nil, nil, err
	}
	conn, err := server.Connect(log)
	if err != nil {
		server.Close()
		return nil, nil, err
	}
	return conn, server, nil
}

// journalDir is where the embedded journal is.
func (c *serveCommand) journalDir() string {
	if c.Journal != "" {
		return c.Journal
	}
	return filepath.Join(c.Data, journalFolder)
}

// liveGroup is a group at work.
type liveGroup struct {
	plan     *group.Plan
	journal  *journal.Journal
	live     atomic.Pointer[worker.Live] // nil while no worker is at work
	progress *worker.Progress
	raw      string
	reduced  string
	test     string
	log      *slog.Logger
	cutBytes int64
	trim     bool
	faults   *faults
}

func (c *serveCommand) openGroup(ctx context.Context, conn *journal.Conn, test *testfile.Test, p *group.Plan, log *slog.Logger) (*liveGroup, error) {
	j, err := journal.Open(ctx, conn, journal.Group{
		Test: test.About.Name.Text, Name: p.Name, Sources: p.Sources(), MaxBytes: c.JournalMax, AllowOneReplica: c.OneReplica,
	})
	if err != nil {
		return nil, fmt.Errorf("group %s: %w", p.Name, err)
	}
	state, err := j.State(ctx)
	if err != nil {
		return nil, fmt.Errorf("group %s: %w", p.Name, err)
	}
	log.Info("journal", "group", p.Name, "state", state.String())
	return &liveGroup{
		plan: p, journal: j, progress: new(worker.Progress), test: test.About.Name.Text, log: log,
		raw: filepath.Join(c.Data, rawFolder), reduced: filepath.Join(c.Data, reducedFolder),
		cutBytes: c.CutBytes, trim: !c.KeepJournal,
	}, nil
}

// errContinuity occurs when journal and archive do not belong together.
var errContinuity = errors.New("journal and archive do not fit together; nothing was changed")

// from returns the sequence to read on from, once the journal was found to be
// the one that the newest commit record knows.
func (g *liveGroup) from(ctx context.Context, newest *archive.Record) (uint64, error) {
	state, err := g.journal.State(ctx)
	if err != nil {
		return 0, err
	}
	if newest == nil {
		if state.First > 1 {
			return 0, fmt.Errorf("%w: the journal begins at %d, but the archive is empty", errContinuity, state.First)
		}
		return 1, nil
	}
	at := newest.Journal
	switch {
	case g.journal.Identity() != at.Identity:
		return 0, fmt.Errorf("%w: the journal is %s, the archive goes on from %s: it was made anew, or the folders are mixed up",
			errContinuity, g.journal.Identity(), at.Identity)
	case state.Last < at.Last:
		return 0, fmt.Errorf("%w: the journal ends at %d, the archive reaches to %d: the journal lost its end", errContinuity, state.Last, at.Last)
	case state.First > at.Last+1:
		return 0, fmt.Errorf("%w: the journal begins at %d, the archive reaches to %d only", errContinuity, state.First, at.Last)
	}
	if state.First <= at.Last {
		hash, err := g.journal.At(ctx, at.Last)
		if err != nil {
			return 0, err
		}
		if hex.EncodeToString(hash[:]) != at.LastHash {
			return 0, fmt.Errorf("%w: message %d is another than the archive knows", errContinuity, at.Last)
		}
	}
	return at.Last + 1, nil
}

// run works from the newest commit record on until ctx ends or something fails.
func (g *liveGroup) run(ctx context.Context) error {
	newest, err := archive.Newest(g.raw, g.plan.Name)
	if err != nil {
		return err
	}
	from, err := g.from(ctx, newest)
	if err != nil {
		return err
	}
	reduced := segment.NewSink(g.faults.folder("reduced", g.reduced), g.test, g.plan, program())
	live := &worker.Live{
		Plan: g.plan, Identity: g.journal.Identity(), Sinks: []worker.Sink{reduced},
		Quarantine: g.journal.Quarantine, Progress: g.progress, Log: g.log, CutBytes: g.cutBytes,
	}
	if newest != nil {
		live.State = newest.State
		if err := g.repair(newest); err != nil {
			return err
		}
		if err := reduced.Resume(newest.Cut + 1); err != nil {
			return err
		}
	}
	raw, err := archive.NewSink(g.faults.folder("raw", g.raw), g.test, g.plan.Name, program(), newest)
	if err != nil {
		return err
	}
	live.Archive = raw
	g.live.Store(live)
	defer g.live.Store(nil)
	before := uint64(0) // first sequence of the newest cut that is committed
	live.Committed = func(end worker.End) {
		// The journal keeps the newest cut and what follows.
		if before > 0 && g.trim {
			err := g.faults.meet("trim")
			if err == nil {
				err = g.journal.Trim(ctx, before)
			}
			if err != nil && ctx.Err() == nil {
				g.log.Warn("the journal was not trimmed; it will be with the next cut", "group", g.plan.Name, "err", err)
			}
		}
		before = end.Journal.First
	}
	reader, err := g.journal.Read(ctx, from)
	if err != nil {
		return err
	}
	defer reader.Close()
	g.log.Info("working", "group", g.plan.Name, "from", from)
	return live.Run(ctx, reader)
}

// repair makes the reduced files of archived cuts that have no commit record.
func (g *liveGroup) repair(newest *archive.Record) error {
	for cut := range newest.Cut + 1 {
		record := segment.CommitRecord{Group: g.plan.Name, Cut: cut}
		if _, err := os.Stat(filepath.Join(g.reduced, record.Name())); err == nil {
			continue
		} else if !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		g.log.Warn("reducing again from the raw archive", "group", g.plan.Name, "cut", cut)
		if err := reduceCut(g.plan, g.test, g.raw, g.reduced, cut); err != nil {
			return fmt.Errorf("cut %d of group %s: %w", cut, g.plan.Name, err)
		}
	}
	return nil
}

// reduceCut makes the reduced files of one archived cut in dir.
func reduceCut(p *group.Plan, test, raw, dir string, cut uint64) error {
	record, err := archive.Read(raw, p.Name, cut)
	if err != nil {
		return err
	}
	var before []byte
	if cut > 0 {
		previous, err := archive.Read(raw, p.Name, cut-1)
		if err != nil {
			return err
		}
		before = previous.State
	}
	r, err := archive.Open(raw, record)
	if err != nil {
		return err
	}
	defer r.Close()
	sink := segment.NewSink(disk.At(dir), test, p, program())
	if err := sink.Resume(cut); err != nil {
		return err
	}
	return worker.Recompute(p, before, r.Next, []worker.Sink{sink})
}

// leave closes the connection and the embedded server. One that has failed may
// hang in that: it is left to the end of the process, which is due.
func (c *serveCommand) leave(conn *journal.Conn, server *journal.Server) {
	closed := make(chan struct{})
	go func() {
		defer close(closed)
		conn.Close()
		if server != nil {
			server.Close()
		}
	}()
	select {
	case <-closed:
	case <-time.After(c.StopWithin):
	}
}

// work runs the groups, the control socket and the watch on the server until
// ctx ends or one of them fails for good.
func (c *serveCommand) work(ctx context.Context, cancel context.CancelFunc, svc *service, server *journal.Server, log *slog.Logger, more []func(context.Context) error) error {
	var wait sync.WaitGroup
	failed := make(chan error, len(svc.groups)+4+len(more))
	start := func(f func() error) {
		wait.Add(1)
		go func() {
			defer wait.Done()
			if err := f(); err != nil {
				failed <- err
				cancel()
			}
		}()
	}
	listeners, err := c.listen()
	if err != nil {
		return err
	}
	for _, l := range listeners {
		start(func() error { return svc.serveHTTP(ctx, l) })
	}
	for _, g := range svc.groups {
		start(func() error { return g.keepRunning(ctx) })
		start(func() error { g.cutWhenIdle(ctx, c.IdleCut, c.MaxCut); return nil })
	}
	if server != nil {
		var probes []func(context.Context) error
		for _, g := range svc.groups {
			probes = append(probes, g.journal.Probe)
		}
		start(func() error { return server.Watch(ctx, probes...) })
		w := &freeWatch{dir: c.journalDir(), limit: c.JournalMax, groups: svc.groups, log: log}
		w.keep = keepFree(c.KeepFree, w.dir)
		start(func() error { w.run(ctx); return nil })
	}
	for _, f := range more {
		start(func() error { return f(ctx) })
	}
	svc.ready.Store(true)
	<-ctx.Done()
	svc.ready.Store(false)
	log.Info("stopping")
	done := make(chan struct{})
	go func() { wait.Wait(); close(done) }()
	select {
	case <-done:
	case <-time.After(c.StopWithin):
		failed <- fmt.Errorf("not stopped within %s; what is committed is whole, the rest comes again from the journal", c.StopWithin)
	}
	var all error
	for {
		select {
		case err := <-failed:
			all = errors.Join(all, err)
		default:
			return all
		}
	}
}

// listen opens the control socket, and the HTTP address when one is asked for.
func (c *serveCommand) listen() ([]net.Listener, error) {
	path := filepath.Join(c.Data, socketName)
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	l, err := net.Listen("unix", path)
	if err != nil {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		return nil, errors.Join(fmt.Errorf("control socket: %w", err), l.Close())
	}
	listeners := []net.Listener{l}
	if c.HTTP != "" {
		host, _, err := net.SplitHostPort(c.HTTP)
		if ip := net.ParseIP(host); err != nil || host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return nil, errors.Join(fmt.Errorf("--http %s: only an address of this machine, for example 127.0.0.1:8080, since nobody signs in there", c.HTTP), l.Close())
		}
		h, err := net.Listen("tcp", c.HTTP)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("--http: %w", err), l.Close())
		}
		listeners = append(listeners, h)
	}
	return listeners, nil
}

// Pauses of a worker before it tries again after a disk or a connection failed:
// they double, and begin anew once a cut was made.
const (
	firstPause   = 250 * time.Millisecond
	longestPause = 5 * time.Second
)

// keepRunning runs the group; what may pass by itself (a full disk, a lost
// connection) is tried again, what may not ends the service.
func (g *liveGroup) keepRunning(ctx context.Context) error {
	pause, cuts := firstPause, uint64(0)
	for {
		err := g.run(ctx)
		if err == nil || ctx.Err() != nil {
			return err
		}
		for _, stays := range []error{errContinuity, segment.ErrConflict, archive.ErrRecord, journal.ErrGap, journal.ErrLostTail,
			journal.ErrIdentity, journal.ErrNoJournal, archive.ErrDamaged, segment.ErrDamaged} {
			if errors.Is(err, stays) {
				return fmt.Errorf("group %s: %w", g.plan.Name, err)
			}
		}
		if made := g.progress.Look().Cuts; made != cuts {
			pause, cuts = firstPause, made
		}
		g.log.Error("the worker stopped; it goes on from the last commit", "group", g.plan.Name, "again in", pause, "err", err)
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(pause):
		}
		pause = min(2*pause, longestPause)
	}
}

// cutWhenIdle asks for a cut, by an event like any other, when frames came since
// the last one and nothing comes any more, or when it was long ago.
func (g *liveGroup) cutWhenIdle(ctx context.Context, idle, longest time.Duration) {
	ticker := time.NewTicker(max(idle/4, 10*time.Millisecond))
	defer ticker.Stop()
	var cuts, frames uint64
	moved, cut := time.Now(), time.Now()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		now := g.progress.Look()
		if now.Cuts != cuts {
			cuts, cut = now.Cuts, time.Now()
		}
		if now.Frames != frames {
			frames, moved = now.Frames, time.Now()
		}
		if now.Uncut == 0 || time.Since(moved) < idle && time.Since(cut) < longest {
			continue
		}
		e := event.Event{Event: event.Cut, Time: time.Now().UTC(), Who: "glueline", Why: "idle, or long since the last cut"}
		if err := publish1(ctx, g.journal, e); err != nil {
			g.log.Warn("no cut", "group", g.plan.Name, "err", err)
			continue
		}
		moved, cut = time.Now(), time.Now() // until the worker has met it
	}
}

var _ http.Handler = (*service)(nil)
