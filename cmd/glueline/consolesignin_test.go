package main

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"glueline/sinks/console"
	"glueline/sinks/segment"
)

// hostileTest has names that are markup, where anybody takes them for more than
// names.
const hostileTest = `
test: {name: '</script><img src=x onerror=window.hurt=1>', article: '"><svg onload=window.hurt=1>', zone: UTC, load: force}
sources:
  node: {rate: 10 Hz, unit: mV/V, range: 4 mV/V, clock-tolerance: 1 s}
lots: {'lot <i>': {resistance: 350 ohm, gauge-factor: 2.0 ± 1 %}}
gauges: {g1: {lot: 'lot <i>'}, g2: {lot: 'lot <i>'}}
positions: {p1: {material: carbon-steel, at: '<b>at</b>'}, p2: {material: carbon-steel}}
wiring:
  - {position: p1, gauge: g1, input: node/A1}
  - {position: p2, gauge: g2, input: node/A2}
auxiliary: {force: {input: node/L1, quantity: load, unit: kN, sensitivity: 2 mV/V, capacity: 100}}
channels:
  '<img src=x onerror=window.hurt=1>': {position: p1, bridge: quarter_3wire, shunt: {location: completion, resistor: 100 kohm}}
  'x'' onmouseover=''window.hurt=1': {position: p2, bridge: quarter_3wire}
alarms:
  limits:
    heavy: {of: [force], reading: value, above: {warning: 60, danger: 80}, hysteresis: 5, samples: 3, action: 'unload <script>window.hurt=1</script>'}
`

// certificateFiles are a certificate for this machine and its key.
func certificateFiles(t *testing.T, dir string) (cert, key string) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "console"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &k.PublicKey, k)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	return write(t, dir, "cert.pem", string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))),
		write(t, dir, "key.pem", string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})))
}

// The page behind TLS and sign-in, of a test whose names are markup and whose gauges
// are read while it is looked at: who may do what, each action asked back once,
// gauges that are pressed, an alarm that is answered for, what is saved.
func TestConsoleBehindSignIn(t *testing.T) {
	t.Parallel()
	ctx, stop := context.WithTimeout(t.Context(), 8*time.Minute)
	defer stop()
	dir, shots := t.TempDir(), os.Getenv("GLUELINE_SHOTS")
	if shots == "" {
		shots = t.TempDir()
	}
	var users strings.Builder
	for name, role := range map[string]console.Role{"ada": console.Operator, "ben": console.Viewer} {
		line, err := console.UserLine(name, role, "a long password")
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintln(&users, line)
	}
	cert, key := certificateFiles(t, dir)
	file, data, readings := write(t, dir, "bench.yaml", hostileTest), filepath.Join(dir, "data"), filepath.Join(dir, "readings.csv")
	serve := process(t, "serve", file, "--data", data, "--listen", "127.0.0.1:0", "--idle-cut", "1h", "--console", "0.0.0.0:0",
		"--console-users", write(t, dir, "users", users.String()), "--console-cert", cert, "--console-key", key)
	lines := output(t, serve)
	link, url := "", ""
	for link == "" || url == "" {
		line := lines.next(ctx, t)
		if text, ok := strings.CutPrefix(line, "Console: "); ok {
			_, port, err := net.SplitHostPort(strings.Trim(strings.TrimPrefix(text, "https://"), "/"))
			if err != nil {
				t.Fatalf("%s: %v", line, err)
			}
			link = "https://127.0.0.1:" + port + "/"
		}
		if strings.HasPrefix(line, "Publishers: nats://") {
			url = strings.Fields(line)[1]
		}
	}

	// The bench: ten rows a second by this machine's clock. Two gauges, which somebody
	// presses, and a load.
	var first, second, load atomic.Int64 // nV/V
	rows, err := os.Create(readings)
	if err != nil {
		t.Fatal(err)
	}
	benched := make(chan struct{})
	bench, endBench := context.WithCancel(ctx)
	t.Cleanup(func() { endBench(); <-benched })
	go func() {
		defer close(benched)
		defer rows.Close() // what matters of it has been read
		fmt.Fprintln(rows, "time,A1,A2,L1")
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for n := 0; ; n++ {
			select {
			case <-bench.Done():
				return
			case at := <-tick.C:
				noise := float64(n%3-1) * 1e-5
				fmt.Fprintf(rows, "%s,%.6f,%.6f,%.6f\n", at.UTC().Format(time.RFC3339Nano), 0.02+noise+float64(first.Load())/1e6, -0.01-noise+float64(second.Load())/1e6, float64(load.Load())/1e6)
			}
		}
	}()
	feed := process(t, "feed", file, "node", "--from", readings, "--nats", url)
	output(t, feed)

	driver := exec.CommandContext(ctx, "node", "../../testdata/js/consolesignin.mjs", link, shots)
	driver.Stderr = os.Stderr
	pipe, err := driver.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := driver.Start(); err != nil {
		t.Fatalf("%v: the test needs Node and its packages (npm ci --prefix testdata/js) and Debian's chromium", err)
	}
	seen := map[string][]saw{}
	scanner := bufio.NewScanner(pipe)
	scanner.Buffer(nil, 1<<20)
	for scanner.Scan() {
		var s saw
		if err := json.Unmarshal(scanner.Bytes(), &s); err != nil {
			t.Errorf("%s: %v", scanner.Text(), err)
			continue
		}
		seen[s.What] = append(seen[s.What], s)
		switch s.What {
		case "failed", "error":
			t.Errorf("%s: %s", s.What, s.Text)
		case "press": // 100 um/m: a finger
			if s.Where == "first" {
				first.Store(50_000)
			} else {
				second.Store(-50_000)
			}
		case "load":
			load.Store(1_400_000) // 70 kN
		}
	}
	if err := driver.Wait(); err != nil {
		t.Error(err)
	}
	one := func(what string) saw {
		t.Helper()
		if len(seen[what]) != 1 {
			t.Fatalf("%d times %s", len(seen[what]), what)
		}
		return seen[what][0]
	}
	one("end")
	for _, s := range seen["axe"] {
		if len(s.Serious) > 0 || s.Passes == 0 {
			t.Errorf("%s: %q", s.Where, s.Serious)
		}
	}
	if s := one("wrong"); !strings.Contains(s.Says, "wrong") || strings.Join(s.Rows, ",") != "test 401,status 401,trust 401,live 401" {
		t.Errorf("before signing in: %s %q", s.Says, s.Rows)
	}
	if s := one("viewer"); !strings.Contains(s.Says, "ben, viewer") || s.Over != 0 || s.Ms != 403 {
		t.Errorf("a viewer: %s, %d forms, asking gives %g", s.Says, s.Over, s.Ms)
	}
	if s := one("forged"); strings.Join(s.Rows, ",") != "403,403,403" {
		t.Errorf("requests without the session's token, or with another's: %q", s.Rows)
	}
	const wild, other = "<img src=x onerror=window.hurt=1>", "x' onmouseover='window.hurt=1"
	if len(seen["act"]) != 9 {
		t.Errorf("%d actions", len(seen["act"]))
	}
	for _, s := range seen["act"] {
		done := "yes"
		if s.Where == "shunt" { // nobody connected the resistor: the check says so, and is not called done
			done = "no"
			if !strings.Contains(s.Says, "differs by more") {
				t.Errorf("a shunt check without its resistor: %s", s.Says)
			}
		}
		if s.Done != done || s.Raw != "ada" || s.There || !strings.Contains(s.Text, "The same in a terminal: glueline ") {
			t.Errorf("%s: done %s, signed %q (may be another: %v): %s\n%s", s.Where, s.Done, s.Raw, s.There, s.Text, s.Says)
		}
	}
	for i, want := range []string{wild + " +", other + " −"} {
		if len(seen["pressed"]) != 2 || seen["pressed"][i].Says != want {
			t.Errorf("pressed: %+v, want %q", seen["pressed"], want)
			break
		}
	}
	if s := one("zeros"); !strings.Contains(s.Says, "in force") || !strings.Contains(s.Says, "ada") || !strings.Contains(s.Text, "never of gauge factor or bond") {
		t.Errorf("zeros and shunt checks: %s", s.Text)
	}
	if s := one("answered"); !strings.Contains(s.Says, "the jack is being let down") {
		t.Error(s.Says)
	}
	if s := one("seen"); s.Done != "yes" {
		t.Error("a channel was not acknowledged")
	}
	if len(seen["hostile"]) != 7 {
		t.Errorf("%d views with hostile names", len(seen["hostile"]))
	}
	for _, s := range seen["hostile"] {
		if s.Over != 0 || s.Images != 0 {
			t.Errorf("%s: a name became %d elements, or ran (%d)", s.Where, s.Over, s.Images)
		}
	}
	if s := one("keyboard"); !s.There || !strings.Contains(s.Says, " UTC · "+wild) {
		t.Errorf("the cursor by keyboard: %q, then %q", s.Text, s.Says)
	}
	for _, s := range seen["saved"] {
		want := map[string]string{"PNG": "PNG", "SVG": "<svg xmlns", "CSV": "time,column,least,mean,greatest,flags"}[s.Where]
		if !strings.HasPrefix(s.Says, want) || s.Ms < 300 || s.Text != "traces."+strings.ToLower(s.Where) {
			t.Errorf("saved %s: %s, %g bytes: %.200s", s.Where, s.Text, s.Ms, s.Says)
		}
	}
	if s := one("svg"); len(seen["saved"]) != 3 || s.Ms < 1 || s.Images != 0 || s.Text != "svg" {
		t.Errorf("the SVG in a browser: %+v", s)
	}
	if s := one("out"); s.Ms != 401 {
		t.Errorf("after signing out: %g", s.Ms)
	}

	// The journal has what was done, under the name of who signed in, and nothing that
	// was not confirmed.
	paths, err := filepath.Glob(filepath.Join(data, "r1", "*.commit.json"))
	if err != nil || len(paths) == 0 {
		t.Fatalf("%d records: %v", len(paths), err)
	}
	done := map[string]int{}
	for _, path := range paths {
		r, err := segment.ReadCommit(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range r.Events {
			done[e.Event]++
			if e.Who != "ada" {
				t.Errorf("%s by %q", e.Event, e.Who)
			}
			if strings.Contains(e.Text, "never said") {
				t.Error("a note that was not confirmed stands in the journal")
			}
		}
	}
	for _, what := range []string{"zero", "step", "shunt"} {
		if done[what] == 0 {
			t.Errorf("no %s in %v", what, done)
		}
	}
}
