package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"glueline/pipeline/alarm"
	"glueline/pipeline/event"
)

// hook is a web server that people are told by. It refuses while it is asked to.
type hook struct {
	*httptest.Server
	mutex   sync.Mutex
	refuses bool
	refused int
	got     []hooked
}

type hooked struct {
	token, key string
	alarm.Decision
}

func newHook(t *testing.T) *hook {
	h := new(hook)
	h.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		text, _ := io.ReadAll(r.Body)
		h.mutex.Lock()
		defer h.mutex.Unlock()
		if h.refuses {
			h.refused++
			http.Error(w, "closed", http.StatusServiceUnavailable)
			return
		}
		one := hooked{token: r.Header.Get("Authorization"), key: r.Header.Get("Idempotency-Key")}
		if err := json.Unmarshal(text, &one.Decision); err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		h.got = append(h.got, one)
	}))
	t.Cleanup(h.Close)
	return h
}

func (h *hook) refuse(yes bool) {
	h.mutex.Lock()
	defer h.mutex.Unlock()
	h.refuses, h.refused = yes, 0
}

// of are those that it got of an alarm; "" are the trials.
func (h *hook) of(name string) (all []hooked, refused int) {
	h.mutex.Lock()
	defer h.mutex.Unlock()
	for _, one := range h.got {
		if one.Alarm == name {
			all = append(all, one)
		}
	}
	return all, h.refused
}

// mailbox is a mail server on this machine, with as much of SMTP (RFC 5321) as a
// client needs.
type mailbox struct {
	address string
	mutex   sync.Mutex
	mails   []string
}

func newMailbox(t *testing.T) *mailbox {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	m := &mailbox{address: l.Addr().String()}
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go m.serve(conn)
		}
	}()
	return m
}

func (m *mailbox) serve(conn net.Conn) {
	defer conn.Close()
	r := bufio.NewReader(conn)
	say := func(text string) { fmt.Fprintf(conn, "%s\r\n", text) }
	say("220 ready")
	var mail strings.Builder
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		mail.WriteString(line)
		switch strings.ToUpper(strings.Fields(line + " x")[0]) {
		case "DATA":
			say("354 go on")
			for line != ".\r\n" {
				if line, err = r.ReadString('\n'); err != nil {
					return
				}
				mail.WriteString(line)
			}
			m.mutex.Lock()
			m.mails = append(m.mails, mail.String())
			m.mutex.Unlock()
			say("250 taken over")
		case "QUIT":
			say("221 bye")
			return
		default:
			say("250 ok")
		}
	}
}

// with are the mails in which a text stands.
func (m *mailbox) with(text string) (all []string) {
	m.mutex.Lock()
	defer m.mutex.Unlock()
	for _, mail := range m.mails {
		if strings.Contains(mail, text) {
			all = append(all, mail)
		}
	}
	return all
}

// The real program tells one person by a web server and the next by a mail server:
// trials first, then an alarm while the web server refuses and the service is killed.
// Nothing is lost, and what comes has the id of the decision.
func TestToldByWebhookAndMail(t *testing.T) {
	h, m := newHook(t), newMailbox(t)
	token := write(t, t.TempDir(), "token", "hush-token\n")
	b := newAlarmBenchBy(t, alarmTest, fmt.Sprintf(`people:
  desk: {webhook: {url: "%s/hook", token: {file: %q}}}
  shift: {e-mail: {to: shift@example.org, from: rig@example.org, server: "%s", tls: none}}
`, h.URL, token, m.address))

	wants(t, b.command(1, "try", "pilot", "--data", b.data), "the file of ways does not know pilot; it has desk, shift")
	h.refuse(true)
	wants(t, b.command(1, "try", "desk", "--data", b.data), "desk by webhook: NOT sent:", "503 Service Unavailable", "tried again by the service")
	h.refuse(false)
	wants(t, b.command(0, "try", "--data", b.data), "desk by webhook: taken over, trial trial-", "shift by e-mail: taken over, trial trial-", "Ask whether it arrived")
	b.until("both trials have come", func() bool { all, _ := h.of(""); return len(all) == 2 })
	if all, _ := h.of(""); all[0].Kind != "trial" || all[0].ID == all[1].ID || all[0].Notice != alarm.Monitors {
		t.Errorf("%+v", all)
	}
	if n := len(m.with("Subject: trial: nothing has happened")); n != 1 {
		t.Errorf("%d mails of a trial", n)
	}

	h.refuse(true)
	b.feed(2, 70)
	b.until("the web server has refused the alarm", func() bool { _, refused := h.of("heavy/force"); return refused > 0 })
	wants(t, b.command(0, b.data), "heavy/force", "webhook NOT sent: ", "503 Service Unavailable", "not sent: ")
	b.kill()
	h.refuse(false)
	b.start()
	b.until("the alarm has come", func() bool { all, _ := h.of("heavy/force"); return len(all) > 0 })
	all, _ := h.of("heavy/force")
	id := b.decided()[3].ID // behind the trials
	if got := all[0]; got.ID != id || got.key != id || got.token != "Bearer hush-token" || got.Who != "desk" || got.Text != "value of force is 70 kN, above its warning of 60 kN" {
		t.Errorf("told %+v, decided %s", got, id)
	}
	b.feed(31, 70) // nobody acknowledges
	b.until("the mail has come", func() bool { return len(m.with("value of force is 70 kN")) > 0 })
	wants(t, m.with("value of force is 70 kN")[0], "MAIL FROM:<rig@example.org>", "RCPT TO:<shift@example.org>", "Subject: not acknowledged: WARNING: value of force is 70 kN",
		"Nobody has acknowledged it so far", "What to do: unload the bracket", "it is not a protective system", "Message-ID: <")
	b.until("the ledger has it", func() bool { return len(b.report().Groups[0].Waiting) == 0 })
	wants(t, b.command(0, b.data), "webhook took it over", "e-mail took it over")
	b.stop()
	if all, _ := h.of("heavy/force"); len(all) != 1 || strings.Contains(read(t, ledgerOf(b.data, "main"))+b.out.errs.String(), "hush") {
		t.Errorf("%d told, or the token stands in the ledger or the log", len(all))
	}
}

// asks has the service read its test file again, and waits for what it says.
func (b *alarmBench) asks(test, says string) {
	b.Helper()
	if err := os.WriteFile(b.file, []byte(test), 0o600); err != nil {
		b.Fatal(err)
	}
	if err := b.process.Process.Signal(syscall.SIGHUP); err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(b.Context(), time.Minute)
	defer cancel()
	for !strings.Contains(b.out.next(ctx, b.T), says) {
	}
}

// A test file that has somebody told whom the file of ways does not know is refused
// while the service runs, by a reload and by a re-reduction; the people before stay.
// Limits of one that is taken hold from there on, also over a kill, and the archive
// tells of the same.
func TestAlarmsOfAnotherTestFile(t *testing.T) {
	b := newAlarmBench(t, alarmTest)
	b.feed(2, 70)
	b.awaits(1)
	pilot := strings.Replace(alarmTest, "{who: shift, after: 30 s}", "{who: pilot, after: 30 s}", 1)
	if err := os.WriteFile(b.file, []byte(pilot), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := b.process.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	b.until("the reload is refused", func() bool {
		return strings.Contains(b.out.errs.String(), "Nothing has changed: the test file in force stays.")
	})
	wants(t, b.out.errs.String(), "no way to tell pilot", "the file of ways (--ways) has only desk, shift")
	if people := b.report().People; len(people) != 2 || people[1].Who != "shift" {
		t.Errorf("people: %+v", people)
	}

	// A rule goes, and another comes: what was raised by the former waits for somebody.
	other := strings.Replace(alarmTest, "heavy: {of: [force], reading: value, above: {warning: 60, danger: 80}", "weighty: {of: [force], reading: value, above: {danger: 50}", 1)
	b.asks(other, "holds from here on")
	b.feed(2, 70)
	if got := outline(b.awaits(2)); got != "0.2 raised heavy/force warning desk; 2.2 raised weighty/force danger desk" {
		t.Error(got)
	}
	r := b.report()
	if a := r.find("heavy/force"); a == nil || a.State != alarmUnanswered {
		t.Errorf("of a rule that is gone: %+v", a)
	}
	b.kill()
	b.start()
	b.signed(0, "acknowledge", "weighty/force")
	b.feed(40, 70)
	if got := outline(b.awaits(3)); !strings.HasSuffix(got, "; 30.2 repeated heavy/force warning shift") {
		t.Error(got)
	}
	if err := newControl(b.data).cut(t.Context(), cutFor("a trial")); err != nil {
		t.Fatal(err)
	}

	// The same pilot, by a revision.
	status, out, errs := glueline(t.Context(), "rereduce", b.data, "--calibration", write(t, t.TempDir(), "pilot.yaml", strings.Replace(pilot, "gauge-factor: 2.08", "gauge-factor: 2.1", 1)),
		"--who", "M. Arkle", "--why", "a trial", "--quiet")
	if status == 0 || !strings.Contains(out+errs, "no way to tell pilot") {
		t.Errorf("rereduce: %d %s%s", status, out, errs)
	}
	if name, err := currentRevision(b.data); err != nil || name != reducedFolder {
		t.Errorf("%s holds, %v", name, err)
	}
	b.stop()
	var ids []string
	for line := range strings.Lines(b.command(0, "replay", b.data, "--json")) {
		var d judgedAgain
		if err := json.Unmarshal([]byte(line), &d); err != nil {
			t.Fatal(err)
		}
		ids = append(ids, d.ID)
	}
	told := b.came()
	for _, d := range told {
		if !slices.Contains(ids, d.ID) {
			t.Errorf("told %s of %s, and not by the archive: %v", d.ID, d.Alarm, ids)
		}
	}
	if len(told) != 3 || len(ids) != 3 {
		t.Errorf("%d told, %d by the archive", len(told), len(ids))
	}
}

// What the judge knew is gone, or damaged: it is made again from the archive, and
// nobody is told twice.
func TestAlarmStateIsMadeAgain(t *testing.T) {
	b := newAlarmBench(t, alarmTest)
	b.feed(2, 70)
	b.awaits(1)
	cut := func() {
		t.Helper()
		if err := newControl(b.data).cut(t.Context(), event.Event{Who: "M. Arkle", Why: "a trial"}); err != nil {
			t.Fatal(err)
		}
	}
	cut()
	for _, c := range []struct {
		name string
		harm func(path string) error
		says string
	}{
		{"gone", os.Remove, ""},
		{"damaged", func(path string) error { return os.WriteFile(path, []byte("{"), 0o600) }, "what was known of alarms cannot be read; it is made again from the archive"},
	} {
		b.stop()
		states, err := filepath.Glob(filepath.Join(b.data, alarmsFolder, "main.*.json"))
		if err != nil || len(states) == 0 {
			t.Fatalf("%s: no state, %v", c.name, err)
		}
		for _, path := range states {
			if err := c.harm(path); err != nil {
				t.Fatal(err)
			}
		}
		b.start()
		r := b.report()
		a := r.find("heavy/force")
		if a == nil || a.State != alarmActive || a.Next == nil || a.Next.Who != "shift" || !a.At.Equal(b.at(0).Add(200*time.Millisecond)) {
			t.Errorf("%s: %+v", c.name, a)
		}
		if !strings.Contains(b.out.errs.String(), c.says) {
			t.Errorf("%s: it does not say %q but\n%s", c.name, c.says, b.out.errs.String())
		}
		b.feed(1, 70)
		b.judged()
		cut()
	}
	b.stop()
	if n := len(b.came()); n != 1 || len(b.decided()) != 1 {
		t.Errorf("%d told, %d decided", n, len(b.decided()))
	}
}
