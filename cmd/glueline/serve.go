package main

import (
	"cmp"
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
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"glueline/pipeline/group"
	"glueline/pipeline/journal"
	"glueline/pipeline/printable"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/live"
	"glueline/sinks/metrics"
	"glueline/sinks/overview"
	"glueline/sinks/revise"
	"glueline/sinks/segment"
)

type serveCommand struct {
	Test       string        `arg:"" name:"testfile" help:"The test file (YAML)."`
	Data       string        `default:"glueline-data" help:"Folder of the archive, the results and, unless --journal says otherwise, the journal."`
	Journal    string        `help:"Folder of the embedded journal, for a disk of its own."`
	JournalMax dataSize      `default:"8GiB" help:"How many bytes (500MB, 8GiB) a group's journal may hold before it refuses more; a small disk holds it to less. Files end at a quarter of it at the latest."`
	Listen     string        `help:"Address for publishers, for example 127.0.0.1:4222. Without it only this process publishes."`
	MQTT       string        `name:"mqtt" help:"Address for MQTT 3.1.1 publishers, for example 127.0.0.1:1883 (deploy/PUBLISHING.md)."`
	HTTP       string        `name:"http" help:"Address for /healthz, /readyz, /status and /metrics, to be read from this machine, for example 127.0.0.1:8080; the socket in the data folder has them too."`
	Nats       string        `help:"URL of a server or cluster that is there already, instead of the embedded one."`
	NatsCreds  string        `type:"existingfile" help:"Credentials file for --nats."`
	NatsCA     string        `name:"nats-ca" type:"existingfile" help:"Certificate authority of --nats, PEM."`
	TakeOver   bool          `help:"Take the journal on the server of --nats although the service of another data folder has it, which then stops."`
	OneReplica bool          `help:"Accept one replica on an external server: what is acknowledged is then lost with one machine."`
	IdleCut    time.Duration `default:"30s" help:"End the files when nothing came for so long."`
	MaxCut     time.Duration `default:"1h" help:"End the files after so long, however little came."`
	StopWithin time.Duration `default:"10s" help:"Longest graceful stop."`

	Lazy        bool     `help:"Acknowledge before the disk has it. When the power fails, up to two minutes of acknowledged readings are gone: for trying things out, not for a test."`
	Publish     bool     `help:"Send the reduced rows to whoever listens, beside the envelopes (see SUBSCRIBING.md)."`
	KeepJournal bool     `help:"Never trim the journal."`
	KeepFree    int64    `default:"-1" help:"Bytes of the journal's disk that stay free: below, publishers are refused until there is room. By default 1 GiB or 5 % of the disk, whichever is less, but 4 MiB a group and 1 MiB, which trimming needs; 0 is no watch."`
	Ways        string   `type:"existingfile" help:"File of the ways by which the people in alarms.tell are reached (deploy/ALARMS.md)."`
	Undo        []string `placeholder:"REVISION,…" help:"Start with, or reload, a test file that has the constants again which this re-reduction replaced."`
	PassOver    string   `placeholder:"DIGEST" help:"Put the event that names this test file, which is not here, in quarantine, and go on by the one in force."`
	CutBytes    int64    `hidden:"" help:"Raw bytes that end the files of a group. Other bytes, other files: for tests, which cannot wait for 64 MiB."`

	consoleFlags `embed:""`
}

// Run serves until it is told to stop.
func (c *serveCommand) Run(ctx context.Context, s streams) error {
	return whenFull(c.serve(ctx, s, slog.New(slog.NewTextHandler(s.err, nil)), nil))
}

// serve serves until it is told to stop, or what goes on during it fails; during
// may be nil, and stop ends it all.
func (c *serveCommand) serve(ctx context.Context, s streams, log *slog.Logger, during func(ctx context.Context, stop func(), conn *journal.Conn, svc *service) error) (err error) {
	test, err := readTest(c.Test)
	if err != nil {
		return err
	}
	if err := errors.Join(c.checkHTTP(), c.consoleFlags.check()); err != nil {
		return err
	}
	if _, err := c.loadWays(test); err != nil {
		return err
	}
	if c.JournalMax < leastJournal {
		return fmt.Errorf("--journal-max %d: so few bytes hold no frame; write bytes, at least %d, better some hours of readings (by default 8GiB)", c.JournalMax, leastJournal)
	}
	if full := cmp.Or(c.CutBytes, worker.CutBytes); cutShare(int64(c.JournalMax)) < full {
		log.Warn("the journal may hold less than four cuts: files end before they have their size, so that there are more and smaller ones",
			"--journal-max", int64(c.JournalMax), "enough", cutsInJournal*full)
	}
	if err := c.belongs(test.test.About.Name.Text); err != nil {
		return err
	}
	folders, unlock, err := c.folders(ctx, log)
	if err != nil {
		return err
	}
	defer unlock()
	// Until a journal may be open nothing can have been acknowledged: a start that is
	// refused before leaves nothing that it made.
	empty := true
	defer func() {
		if err == nil || !empty || ctx.Err() != nil {
			return
		}
		for _, f := range slices.Backward(folders) {
			err = errors.Join(err, f.remove())
		}
	}()
	test = c.startWith(test, log)
	ways, err := c.loadWays(test)
	if err != nil {
		return err
	}
	if err := test.keep(c.Data); err != nil {
		return err
	}
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(gcPercent)
	}
	faults, err := faultsFromEnvironment()
	if err != nil {
		return err
	}
	svc := &service{test: test.test, data: c.Data, undo: c.Undo, log: log, began: time.Now(), ready: make(chan struct{}), health: newHealthKeeper(c.Data, log), ways: ways}
	svc.current.Store(test)
	if c.Nats == "" {
		svc.journal = c.journalDir()
	}
	if svc.metrics, err = svc.metricsHandler(); err != nil {
		return err
	}
	crew := newCrew(ctx)
	listeners, err := c.listen()
	if err != nil {
		return crew.fail(err, c.StopWithin)
	}
	// Whoever asks is answered before the journal is open, which may take long.
	for _, l := range listeners {
		crew.start(func(ctx context.Context) error { return svc.serveHTTP(ctx, l) })
	}
	if svc.page, err = c.consoleFlags.open(crew.ctx, svc, log); err != nil {
		return crew.fail(err, c.StopWithin)
	}
	if svc.page != nil {
		crew.start(func(ctx context.Context) error { return svc.page.serve(ctx, log) })
		crew.start(func(ctx context.Context) error { return svc.page.article.archive.keep(ctx, svc) })
	}
	crew.start(func(ctx context.Context) error { svc.tell(ctx, log); return nil })
	crew.start(func(ctx context.Context) error { c.reloadWhenAsked(ctx, s, svc); return nil })

	conn, server, err := c.connect(crew.ctx, log)
	if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		return crew.end(c.StopWithin) // told to stop meanwhile
	}
	if err != nil {
		return crew.fail(err, c.StopWithin)
	}
	endShow := func() {}
	var owned claims
	defer func() { owned.end(log); c.leave(conn, server, endShow) }()
	empty = server == nil // a journal of others holds what it holds
	if owned, err = c.claim(crew.ctx, conn, test.test.About.Name.Text, test.plans); err != nil {
		return crew.fail(err, c.StopWithin)
	}
	owned.keep(crew)
	defer svc.closeAlarms() // when nobody is at work any more
	for _, p := range test.plans {
		g, err := c.openGroup(crew.ctx, conn, test, p, log)
		if err != nil {
			return crew.fail(err, c.StopWithin)
		}
		g.faults, g.turned = faults, svc.turned
		if g.alarms, err = openAlarmDesk(c.Data, p.Name, ways, log); err != nil {
			return crew.fail(err, c.StopWithin)
		}
		g.pictured = svc.page != nil
		svc.groups = append(svc.groups, g)
	}
	all, err := svc.settle(crew.ctx, func(g *liveGroup) (string, bool) { return g.archivedCalibration(crew.ctx) })
	if err != nil {
		log.Warn("the test file of the start is not in force yet", "err", err) // it is tried again
	}
	svc.inForce.Store(all && err == nil)
	end, err := c.show(svc, server, log)
	if err != nil {
		return crew.fail(err, c.StopWithin)
	}
	endShow = end
	svc.opened.Store(true)
	// Said only now: whoever waits for it may ask and publish at once.
	if server != nil && server.URL() != "" {
		fmt.Fprintf(s.out, "Publishers: %s\n", server.URL())
	}
	fmt.Fprintf(s.out, "%s: %s, data in %s. Glueline monitors; it is not a protective system.\n", printable.Text(svc.test.About.Name.Text), count(len(svc.groups), "group"), printable.Text(c.Data))
	sayAlarms(s.out, ways, test.test)
	if svc.page != nil {
		fmt.Fprintf(s.out, "Console: %s\n", svc.page.link)
	}
	if c.Lazy {
		fmt.Fprintln(s.out, "Lazy: what is acknowledged is not on the disk yet; when the power fails, up to two minutes of it are gone.")
	}
	empty = false
	c.work(crew, svc, server, log)
	if c.MQTT != "" {
		way, err := newMQTTWay(ctx, conn, c.MQTT, svc)
		if err != nil {
			return crew.fail(err, c.StopWithin)
		}
		fmt.Fprintf(s.out, "MQTT publishers: mqtt://%s, topics %s\n", c.MQTT, strings.Join(way.topics(), " "))
		crew.start(way.run)
	}
	if during != nil {
		crew.start(func(ctx context.Context) error { return during(ctx, crew.cancel, conn, svc) })
	}
	<-crew.ctx.Done()
	svc.stopping.Store(true)
	log.Info("stopping")
	tellSupervisor(log, "STOPPING=1")
	return crew.end(c.StopWithin)
}

// folders makes the data folder, and the journal's if it is elsewhere, and locks it.
func (c *serveCommand) folders(ctx context.Context, log *slog.Logger) (made []*madeFolder, unlock func(), err error) {
	paths := []string{c.Data}
	if c.Nats == "" && c.Journal != "" {
		paths = append(paths, c.Journal)
	}
	for _, path := range paths {
		f, err := makeFolder(path)
		if err != nil {
			return nil, nil, err
		}
		made = append(made, f)
	}
	// With the lock, what is in the folder is this process's to take away.
	unlockData, err := lockWhenFree(ctx, c.Data, log)
	if err != nil {
		return nil, nil, err
	}
	unlockJournal, err := c.lockJournal(ctx)
	if err != nil {
		err = errors.Join(err, made[0].remove()) // the journal's is another's
		unlockData()
		return nil, nil, err
	}
	unlock = func() { unlockJournal(); unlockData() }
	for _, below := range []string{rawFolder, reducedFolder} {
		if err := os.MkdirAll(filepath.Join(c.Data, below), 0o755); err != nil {
			unlock()
			return nil, nil, fmt.Errorf("serve: %w", err)
		}
	}
	return made, unlock, nil
}

// leastJournal is the least limit of a journal: its first message and a small frame
// fit.
const leastJournal = 16 << 10

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
		if c.Lazy || c.MQTT != "" {
			return nil, nil, errors.New("--lazy and --mqtt are of the embedded server; with --nats, the other server's own set-up holds")
		}
		conn, err := c.connectTo(log)
		return conn, nil, err
	}
	store := c.journalDir()
	log.Info("opening the journal", "folder", store)
	server, err := journal.Embedded(ctx, journal.ServerOptions{StoreDir: store, Listen: c.Listen, MQTT: c.MQTT, Lazy: c.Lazy, Log: log})
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

// connectTo connects to the server that is there.
func (c *serveCommand) connectTo(log *slog.Logger) (*journal.Conn, error) {
	o := journal.ConnectOptions{Credentials: c.NatsCreds, Name: "glueline", Log: log}
	if c.NatsCA != "" {
		pem, err := os.ReadFile(c.NatsCA)
		if err != nil {
			return nil, fmt.Errorf("--nats-ca: %w", err)
		}
		o.TLS = &tls.Config{RootCAs: x509.NewCertPool(), MinVersion: tls.VersionTLS12}
		if !o.TLS.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("--nats-ca: %s holds no certificate", c.NatsCA)
		}
	}
	return journal.Connect(c.Nats, o)
}

// show begins to send what is reduced to whoever listens. It has a connection of
// its own, so that nothing of the journal waits for it.
func (c *serveCommand) show(svc *service, server *journal.Server, log *slog.Logger) (end func(), err error) {
	var conn *journal.Conn
	if server != nil {
		conn, err = server.Connect(log)
	} else {
		conn, err = c.connectTo(log)
	}
	if err != nil {
		return nil, err
	}
	for _, g := range svc.groups {
		o := live.Options{
			Publish:  conn.Send,
			Envelope: func(source string) string { return journal.EnvelopeSubject(g.test, g.plan.Name, source) },
			Log:      log,
		}
		if svc.page != nil {
			o.Show = svc.page.feed.Show
		}
		if c.Publish {
			o.Reduced = func(source string) string { return journal.ReducedSubject(g.test, g.plan.Name, source) }
		}
		g.shown = live.New(g.test, g.plan, o)
	}
	return func() {
		for _, g := range svc.groups {
			g.shown.Close()
		}
		conn.Close()
	}, nil
}

// journalDir is where the embedded journal is.
func (c *serveCommand) journalDir() string {
	if c.Journal != "" {
		return c.Journal
	}
	return filepath.Join(c.Data, journalFolder)
}

// gcPercent is how much of what is in use may be left over before it is
// collected. Nearly all of it is the broker's blocks and buffers without pointers,
// so that collecting twice as often as usual costs little, and a third less
// memory is taken at the peak. GOGC says otherwise.
const gcPercent = 50

// liveGroup is a group at work.
type liveGroup struct {
	plan     *group.Plan
	journal  *journal.Journal
	live     atomic.Pointer[worker.Live] // nil while no worker is at work
	progress *worker.Progress
	shown    *live.Sink
	counted  *metrics.Sink
	raw      string
	revision atomic.Pointer[string] // that the results go into
	turned   func() error           // told when another was begun
	test     string
	log      *slog.Logger
	data     string
	digest   string // of the test file that plan is of
	cutBytes int64
	trim     bool
	pictured bool          // pyramids for the console are made beside the results
	limiting sync.Mutex    // while the journal's limit is another for a moment
	tight    bool          // limiting guards it: the limit is that of a tight disk
	lowDisk  atomic.Bool   // the limit is what the journal holds
	disk     *freeWatch    // of an embedded journal
	share    atomic.Int64  // bytes of the journal that a cut may have
	uncut    atomic.Int64  // bytes of the journal that no cut holds
	large    chan struct{} // told when these are as many, and behind each check
	checked  atomic.Uint64 // sequence up to which cuts were read back, and trimmed behind
	passOver string        // digest of a calibration that is not to hold
	faults   *faults
	alarms   *alarmDesk

	recovering recovery
}

func (c *serveCommand) openGroup(ctx context.Context, conn *journal.Conn, k *keptTest, p *group.Plan, log *slog.Logger) (*liveGroup, error) {
	j, err := journal.Open(ctx, conn, journal.Group{
		Test: k.test.About.Name.Text, Name: p.Name, Sources: p.Sources(), MaxBytes: int64(c.JournalMax), AllowOneReplica: c.OneReplica,
		Calibration: k.digest,
	})
	if err != nil {
		return nil, fmt.Errorf("group %s: %w", p.Name, err)
	}
	state, err := j.State(ctx)
	if err != nil {
		return nil, fmt.Errorf("group %s: %w", p.Name, err)
	}
	log.Info("journal", "group", p.Name, "state", state.String())
	g := &liveGroup{
		plan: p, journal: j, progress: new(worker.Progress), counted: metrics.NewSink(p), test: k.test.About.Name.Text, log: log,
		data: c.Data, digest: k.digest,
		raw:      filepath.Join(c.Data, rawFolder),
		cutBytes: c.CutBytes, trim: !c.KeepJournal, passOver: c.PassOver,
		large: make(chan struct{}, 1),
	}
	g.share.Store(cutShare(int64(c.JournalMax)))
	newest, err := archive.Newest(g.raw, p.Name)
	if err == nil {
		err = g.goInto(newest)
	}
	return g, err
}

// results is the folder of the revision that the results go into.
func (g *liveGroup) results() string { return filepath.Join(g.data, *g.revision.Load()) }

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
	g.recovering.does(doesCheck)
	newest, err := archive.Newest(g.raw, g.plan.Name)
	if err != nil {
		return err
	}
	from, err := g.from(ctx, newest)
	if err != nil {
		return err
	}
	inForce, _, err := calibrationBehind(newest)
	if err != nil {
		return err
	}
	plan, err := g.planOf(inForce)
	if err != nil {
		return fmt.Errorf("%w: %w", worker.ErrCalibration, err)
	}
	if err := g.goInto(newest); err != nil {
		return err
	}
	reduced := segment.NewSink(g.faults.folder("reduced", g.results()), g.test, plan, program())
	if g.pictured {
		reduced.Put(g.pyramids())
	}
	g.shown.Use(plan)
	g.counted.Use(plan)
	judge, err := g.judge(ctx, plan, newest)
	if err != nil {
		return err
	}
	live := &worker.Live{
		Plan: plan, Plans: g.planOf, Identity: g.journal.Identity(), Sinks: []worker.Sink{reduced, g.shown, g.counted, judge},
		Quarantine: g.journal.Quarantine, Progress: g.progress, Log: g.log, CutBytes: g.cutBytes,
	}
	if newest != nil {
		if err := g.repair(ctx, newest); err != nil {
			return err
		}
		if live.State, err = revise.StateBehind(g.results(), newest); err != nil {
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
	if err := g.turned(); err != nil {
		return err
	}
	g.live.Store(live)
	defer g.live.Store(nil)
	g.alarms.sink.Store(judge)
	state, err := g.journal.State(ctx)
	if err != nil {
		return err
	}
	var kept []committedCut
	if g.trim {
		kept = g.inJournal(newest, state.First)
	}
	behind := g.beginCheck(ctx, kept)
	defer behind.end()
	live.Committed = func(end worker.End) {
		behind.cuts <- committedCut{raw.Cuts() - 1, end.Journal.First, end.Journal.Last}
	}
	live.Uncut = g.grows
	reader, err := g.journal.Read(ctx, from)
	if err != nil {
		return err
	}
	defer reader.Close()
	g.progress.Begin(from, inForce)
	g.recovering.catchesUp(from, state.Last, time.Now())
	g.log.Info("working", "group", g.plan.Name, "from", from, "last", state.Last)
	return live.Run(ctx, reader)
}

// pyramids makes those of the results for the console; nil where their folder cannot
// be made, which is no reason not to reduce.
func (g *liveGroup) pyramids() segment.Beside {
	failed := func(err error) {
		g.log.Warn("the overview for the console was not made; it is made from the segment when it is asked for", "err", err)
	}
	beside, err := overview.NewBeside(filepath.Join(g.data, overviewFolder, filepath.Base(g.results())), failed)
	if err != nil {
		failed(err)
		return nil
	}
	return beside
}

// calibrationBehind is the digest of what is in force behind a cut; it is not
// known where nothing is archived.
func calibrationBehind(newest *archive.Record) (digest string, known bool, err error) {
	if newest == nil {
		return "", false, nil
	}
	digest, err = worker.CalibrationOf(newest.State)
	return digest, err == nil, err
}

// archivedCalibration is that of the newest cut; of a journal that holds nothing but
// its identity, that of the start. Where the journal holds more it is not known: what
// names another may be in that, from just before a process died.
func (g *liveGroup) archivedCalibration(ctx context.Context) (digest string, known bool) {
	newest, err := archive.Newest(g.raw, g.plan.Name)
	if err != nil {
		return "", false // the worker meets the same error, and says so
	}
	state, err := g.journal.State(ctx)
	switch {
	case err != nil:
		return "", false
	case newest == nil:
		return g.digest, state.Last <= 1
	case state.Last > newest.Journal.Last:
		return "", false
	}
	digest, known, err = calibrationBehind(newest)
	return digest, known && err == nil
}

// repair makes the reduced files of the newest archived cuts that have no commit
// record: those that were under way when a process died.
func (g *liveGroup) repair(ctx context.Context, newest *archive.Record) error {
	if *g.revision.Load() != reducedFolder {
		return g.complete(ctx, newest)
	}
	first := newest.Cut + 1
	for ; first > 0; first-- {
		if there, err := g.isReduced(first - 1); err != nil {
			return err
		} else if there {
			break
		}
	}
	for cut := first; cut <= newest.Cut; cut++ {
		g.recovering.repairs(cut+1, newest.Cut+1)
		if err := g.reduceAgain(cut); err != nil {
			return err
		}
	}
	return nil
}

func (g *liveGroup) isReduced(cut uint64) (bool, error) {
	record := segment.CommitRecord{Group: g.plan.Name, Cut: cut}
	_, err := os.Stat(filepath.Join(g.results(), record.Name()))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil, err
}

func (g *liveGroup) reduceAgain(cut uint64) error {
	g.log.Warn("reducing again from the raw archive", "group", g.plan.Name, "cut", cut)
	if err := g.reduceCut(cut); err != nil {
		return fmt.Errorf("cut %d of group %s: %w", cut, g.plan.Name, err)
	}
	return nil
}

// tidy does, once the service is ready, what takes the longer the more files
// there are: it removes what killed processes left unfinished, and looks for cuts
// that somebody took away.
func (s *service) tidy(ctx context.Context) error {
	select {
	case <-ctx.Done():
		return nil
	case <-s.ready:
	}
	folders := []string{filepath.Join(s.data, rawFolder)}
	for _, g := range s.groups {
		if !slices.Contains(folders, g.results()) {
			folders = append(folders, g.results())
		}
	}
	for _, folder := range folders {
		if err := segment.RemoveTemporary(folder); err != nil {
			return err
		}
	}
	for _, g := range s.groups {
		if err := g.tidy(ctx); err != nil {
			return err
		}
	}
	return nil
}

// tidy makes the reduced files again that are missing anywhere, and finds a gap
// in the raw archive.
func (g *liveGroup) tidy(ctx context.Context) error {
	cuts, err := archive.Cuts(g.raw, g.plan.Name)
	if err != nil {
		return err
	}
	for _, cut := range cuts {
		if ctx.Err() != nil {
			return nil
		}
		there, err := g.isReduced(cut)
		if err == nil && !there && *g.revision.Load() != reducedFolder {
			return g.fill(ctx, func(uint64, uint64) {}) // all that it lacks at once
		}
		if err == nil && !there {
			err = g.reduceAgain(cut)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// reduceCut makes the reduced files of one archived cut, by the test file that
// was in force.
func (g *liveGroup) reduceCut(cut uint64) error {
	record, err := archive.Read(g.raw, g.plan.Name, cut)
	if err != nil {
		return err
	}
	plan, err := g.planOf(record.Calibration)
	if err != nil {
		return fmt.Errorf("%w: %w", worker.ErrCalibration, err)
	}
	var before []byte
	if cut > 0 {
		previous, err := archive.Read(g.raw, g.plan.Name, cut-1)
		if err != nil {
			return err
		}
		before = previous.State
	}
	r, err := archive.Open(g.raw, record)
	if err != nil {
		return err
	}
	defer r.Close()
	sink := segment.NewSink(disk.At(g.results()), g.test, plan, program())
	if err := sink.Resume(cut); err != nil {
		return err
	}
	return worker.Recompute(plan, before, r.Next, []worker.Sink{sink})
}

// leave closes the connection and the embedded server. One that has failed may
// hang in that: it is left to the end of the process, which is due.
func (c *serveCommand) leave(conn *journal.Conn, server *journal.Server, endShow func()) {
	closed := make(chan struct{})
	go func() {
		defer close(closed)
		endShow()
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

// work has the groups and the watch on the server work.
func (c *serveCommand) work(crew *crew, svc *service, server *journal.Server, log *slog.Logger) {
	crew.start(svc.tidy)
	crew.start(func(ctx context.Context) error { svc.health.run(ctx, svc.ready); return nil })
	if server != nil {
		c.watch(crew, svc, server, log)
	}
	for _, g := range svc.groups {
		crew.start(g.keepRunning)
		crew.start(func(ctx context.Context) error { g.cutWhenDue(ctx, c.IdleCut, c.MaxCut); return nil })
		crew.start(func(ctx context.Context) error { g.alarms.outbox.Run(ctx); return nil })
		crew.start(func(ctx context.Context) error { g.watchAlarms(ctx); return nil })
	}
}

// watch has the embedded server watched, and its disk.
func (c *serveCommand) watch(crew *crew, svc *service, server *journal.Server, log *slog.Logger) {
	var probes []func(context.Context) error
	for _, g := range svc.groups {
		probes = append(probes, g.journal.Probe)
	}
	crew.start(func(ctx context.Context) error { return server.Watch(ctx, probes...) })
	w := &freeWatch{dir: c.journalDir(), limit: int64(c.JournalMax), groups: svc.groups, log: log, again: make(chan struct{}, 1)}
	w.shared = sameDisk(w.dir, c.Data)
	w.keep = keepFree(c.KeepFree, w.dir, len(svc.groups))
	for _, g := range svc.groups {
		g.disk = w
	}
	crew.start(func(ctx context.Context) error { w.run(ctx); return nil })
}

// checkHTTP refuses an address that others could reach.
func (c *serveCommand) checkHTTP() error {
	if c.HTTP == "" {
		return nil
	}
	if _, _, err := net.SplitHostPort(c.HTTP); err != nil || !isLoopback(c.HTTP) {
		return fmt.Errorf("--http %s: only an address of this machine, for example 127.0.0.1:8080, since nobody signs in there", c.HTTP)
	}
	return nil
}

// listen opens the control socket, and the HTTP address when one is asked for.
func (c *serveCommand) listen() ([]net.Listener, error) {
	path := filepath.Join(c.Data, socketName)
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	l, err := net.Listen("unix", path)
	if errors.Is(err, syscall.EINVAL) {
		return nil, fmt.Errorf("control socket: %s: %w", c.Data, errLongPath)
	}
	if err != nil {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		return nil, errors.Join(fmt.Errorf("control socket: %w", err), l.Close())
	}
	listeners := []net.Listener{l}
	if c.HTTP != "" {
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
		if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
			return nil // told to stop while it was still finding out where it stands
		}
		if ctx.Err() != nil && errors.Is(err, worker.ErrRevision) {
			return nil // the next start turns
		}
		if err == nil || ctx.Err() != nil {
			return err
		}
		if errors.Is(err, worker.ErrRevision) {
			continue
		}
		for _, stays := range []error{errContinuity, segment.ErrConflict, archive.ErrRecord, journal.ErrGap, journal.ErrLostTail,
			journal.ErrIdentity, journal.ErrNoJournal, archive.ErrDamaged, segment.ErrDamaged, worker.ErrCalibration} {
			if errors.Is(err, stays) {
				return fmt.Errorf("group %s: %w%s", g.plan.Name, err, howToGoOn(err, g.data))
			}
		}
		if made := g.progress.Look().Cuts; made != cuts {
			pause, cuts = firstPause, made
		}
		g.recovering.does(doesPause)
		g.log.Error("the worker stopped; it goes on from the last commit", "group", g.plan.Name, "again in", pause, "err", err)
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(pause):
		}
		pause = min(2*pause, longestPause)
	}
}

// howToGoOn says what somebody can do about an error that stays.
func howToGoOn(err error, data string) string {
	if !errors.Is(err, worker.ErrCalibration) {
		return ""
	}
	return fmt.Sprintf(`
What happened: the journal says that from there on another test file holds, and %s has no such file. The service
stopped, since reducing what follows by another would be wrong and look right. Nothing is lost: the journal keeps it.
To go on: if one of you changed the test file, copy its folder into %s and start again. If nobody did, somebody
published an event who should not: start once more with --pass-over and the digest, which puts that event in
quarantine and keeps the test file in force; and leave "event" out of what publishers may publish (deploy/PUBLISHING.md).`,
		data, filepath.Join(data, keptFolder))
}

var _ http.Handler = (*service)(nil)
