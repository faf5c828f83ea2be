package console

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/coder/websocket"
	"golang.org/x/crypto/bcrypt"

	"glueline/sinks/live"
)

// fake is an article whose every name tries to be more than a name.
type fake struct{ ran atomic.Int64 }

const hostile = `</script><img src=x onerror=alert(1)>'"&` + "\u2028"

func (f *fake) Describe(context.Context) (any, error) { return map[string]string{"test": hostile}, nil }

func (f *fake) Look(_ context.Context, what string, q Query) (any, error) {
	switch what {
	case "echo":
		return q.Get("x"), nil
	case "refused":
		return nil, fmt.Errorf("%w: say it otherwise", ErrRefused)
	}
	return nil, ErrUnknown
}

func (f *fake) Plan(_ context.Context, a Action) (Plan, error) {
	if a.What != "note" {
		return Plan{}, ErrUnknown
	}
	return Plan{Says: "by " + a.Fields["who"], Run: func(_ context.Context, out io.Writer) error {
		f.ran.Add(1)
		_, err := io.WriteString(out, "said by "+a.Fields["who"])
		return err
	}}, nil
}

func start(t *testing.T, o Options) (*httptest.Server, *fake, *Server) {
	t.Helper()
	f := &fake{}
	o.Article, o.Feed = f, NewFeed()
	ctx, stop := context.WithCancel(context.Background())
	s, err := New(ctx, o)
	if err != nil {
		t.Fatal(err)
	}
	h := httptest.NewServer(s)
	t.Cleanup(func() { stop(); h.CloseClientConnections(); h.Close(); s.Wait() })
	return h, f, s
}

// someone is a browser: it has a jar of one cookie, an origin and a token.
type someone struct {
	at, host, origin, token string
	cookie                  *http.Cookie
}

func (p *someone) do(t *testing.T, method, path, body string) (int, string, http.Header) {
	t.Helper()
	r, err := http.NewRequest(method, p.at+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if p.host != "" {
		r.Host = p.host
	}
	if p.origin != "" {
		r.Header.Set("Origin", p.origin)
	}
	if p.token != "" {
		r.Header.Set("X-Glueline-Token", p.token)
	}
	r.Header.Set("Content-Type", "application/json")
	if p.cookie != nil {
		r.AddCookie(p.cookie)
	}
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	a, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Body.Close()
	text, err := io.ReadAll(a.Body)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range a.Cookies() {
		p.cookie = c
	}
	return a.StatusCode, strings.TrimSpace(string(text)), a.Header
}

func (p *someone) learnToken(t *testing.T) (role string) {
	t.Helper()
	_, text, _ := p.do(t, "GET", "/api/me", "")
	var me struct{ Role, Token string }
	if err := json.Unmarshal([]byte(text), &me); err != nil {
		t.Fatal(err)
	}
	p.token = me.Token
	return me.Role
}

func users(t *testing.T) *Users {
	t.Helper()
	hash, err := bcrypt.GenerateFromPassword([]byte("a long password"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	u, err := ReadUsers(strings.NewReader("# who may\n\nada operator " + string(hash) + "\nben viewer " + string(hash) + "\n"))
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func TestOnThisMachineWhoeverHasTheLinkOperates(t *testing.T) {
	h, f, _ := start(t, Options{Key: "the-key"})
	p := &someone{at: h.URL, origin: h.URL}
	if role := p.learnToken(t); role != "viewer" {
		t.Errorf("without the link: %q", role)
	}
	if code, text, _ := p.do(t, "POST", "/api/ask", `{"what":"note","fields":{}}`); code != 403 || !strings.Contains(text, "you may look") {
		t.Errorf("a viewer asked: %d %s", code, text)
	}
	if code, _, head := p.do(t, "GET", "/?key=wrong", ""); code != 303 || p.cookie != nil || head.Get("Location") != "/" {
		t.Errorf("a wrong key: %d, cookie %v", code, p.cookie)
	}
	if code, _, _ := p.do(t, "GET", "/?key=the-key", ""); code != 303 || p.cookie == nil || !p.cookie.HttpOnly || p.cookie.SameSite != http.SameSiteStrictMode {
		t.Fatalf("the link: %d, cookie %+v", code, p.cookie)
	}
	if role := p.learnToken(t); role != "operator" {
		t.Errorf("with the link: %q", role)
	}
	code, text, _ := p.do(t, "POST", "/api/ask", `{"what":"note","fields":{"who":"Ada"}}`)
	var asked struct{ Says, Word string }
	if err := json.Unmarshal([]byte(text), &asked); code != 200 || err != nil || asked.Says != "by Ada" {
		t.Fatalf("%d %s", code, text)
	}
	if f.ran.Load() != 0 {
		t.Error("it was done before it was confirmed")
	}
	for _, spoil := range []func(q *someone){func(q *someone) { q.token = "" }, func(q *someone) { q.token = "other" }, func(q *someone) { q.origin = "" },
		func(q *someone) { q.origin = "http://evil.example" }, func(q *someone) { q.cookie = nil }, func(q *someone) { q.origin = "null" }} {
		q := *p
		spoil(&q)
		if code, text, _ := q.do(t, "POST", "/api/do", `{"Word":"`+asked.Word+`"}`); code != 403 {
			t.Errorf("%+v: %d %s", q, code, text)
		}
	}
	if code, text, _ := p.do(t, "POST", "/api/do", `{"Word":"`+asked.Word+`"}`); code != 200 {
		t.Fatalf("%d %s", code, text)
	} else {
		var done struct{ Task string }
		if err := json.Unmarshal([]byte(text), &done); err != nil {
			t.Fatal(err)
		}
		for {
			_, text, _ := p.do(t, "GET", "/api/task?id="+done.Task, "")
			var task Task
			if err := json.Unmarshal([]byte(text), &task); err != nil {
				t.Fatal(err)
			}
			if task.Done {
				if task.Said != "said by Ada" || task.Error != "" {
					t.Errorf("%+v", task)
				}
				break
			}
		}
	}
	if code, _, _ := p.do(t, "POST", "/api/do", `{"Word":"`+asked.Word+`"}`); code != 409 || f.ran.Load() != 1 {
		t.Errorf("confirmed twice: %d, done %d times", code, f.ran.Load())
	}
}

func TestElsewhereOnlyWithUsersAndTLS(t *testing.T) {
	for _, o := range []Options{{Remote: true}, {Remote: true, Secure: true}, {Remote: true, Users: users(t)}} {
		if _, err := New(context.Background(), o); !errors.Is(err, ErrOpen) {
			t.Errorf("%+v: %v", o, err)
		}
	}
	now := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	h, _, _ := start(t, Options{Remote: true, Secure: true, Users: users(t), Now: func() time.Time { return now }})
	p := &someone{at: h.URL, origin: h.URL, host: ""}
	for _, path := range []string{"/api/test", "/api/live", "/api/echo?x=1", "/api/task?id=1"} {
		if code, _, _ := p.do(t, "GET", path, ""); code != 401 {
			t.Errorf("%s without signing in: %d", path, code)
		}
	}
	if code, _, _ := p.do(t, "GET", "/?key=", ""); code != 303 || p.cookie != nil {
		t.Error("a key lets in where people sign in")
	}
	signIn := func(name, password string) int {
		code, _, _ := p.do(t, "POST", "/api/sign-in", fmt.Sprintf(`{"Name":%q,"Password":%q}`, name, password))
		return code
	}
	for _, wrong := range [][2]string{{"ada", ""}, {"ada", "wrong"}, {"nobody", "a long password"}, {"", ""}} {
		if code := signIn(wrong[0], wrong[1]); code != 403 || p.cookie != nil {
			t.Errorf("%q: %d", wrong, code)
		}
	}
	if code := signIn("ben", "a long password"); code != 200 || p.cookie == nil || !p.cookie.Secure || !p.cookie.HttpOnly || p.cookie.SameSite != http.SameSiteStrictMode || !strings.HasPrefix(p.cookie.Name, "__Host-") || p.cookie.Path != "/" {
		t.Fatalf("%d, cookie %+v", code, p.cookie)
	}
	p.learnToken(t)
	if code, _, _ := p.do(t, "GET", "/api/test", ""); code != 200 {
		t.Error("a viewer may not look")
	}
	if code, _, _ := p.do(t, "POST", "/api/ask", `{"what":"note"}`); code != 403 {
		t.Error("a viewer may ask")
	}
	if code := signIn("ada", "a long password"); code != 200 {
		t.Fatal(code)
	}
	p.learnToken(t)
	if _, text, _ := p.do(t, "POST", "/api/ask", `{"what":"note","fields":{"who":"somebody else"}}`); !strings.Contains(text, "by ada") {
		t.Errorf("an operator signs with another's name: %s", text)
	}
	now = now.Add(sessionLasts + time.Second)
	if code, _, _ := p.do(t, "GET", "/api/test", ""); code != 401 {
		t.Error("a session lasts for ever")
	}
	for range mostFailures {
		signIn("ada", "guess")
	}
	if code := signIn("ada", "a long password"); code != 429 {
		t.Errorf("after many guesses: %d", code)
	}
	now = now.Add(time.Minute)
	if code := signIn("ada", "a long password"); code != 200 {
		t.Errorf("a minute later: %d", code)
	}
	if code, _, _ := p.do(t, "POST", "/api/sign-out", "{}"); code != 200 || p.cookie.MaxAge >= 0 {
		t.Errorf("signing out: %d %+v", code, p.cookie)
	}
}

func TestAnotherHostIsNotLedHere(t *testing.T) {
	h, _, _ := start(t, Options{Key: "k"})
	for host, want := range map[string]int{"127.0.0.1:80": 200, "localhost:9": 200, "[::1]:7": 200, "evil.example": 421, "127.0.0.1.evil.example": 421, "localhost.evil.example:80": 421, "10.0.0.1": 421} {
		p := &someone{at: h.URL, host: host}
		if code, _, _ := p.do(t, "GET", "/api/test", ""); code != want {
			t.Errorf("%s: %d, want %d", host, code, want)
		}
	}
}

func TestHeadersAndHostileNames(t *testing.T) {
	h, _, _ := start(t, Options{Key: "k"})
	p := &someone{at: h.URL, origin: h.URL}
	for _, path := range []string{"/", "/main.js", "/api/test", "/nothing", "/api/nothing", "/api/refused"} {
		_, _, head := p.do(t, "GET", path, "")
		csp := head.Get("Content-Security-Policy")
		for _, part := range []string{"default-src 'none'", "script-src 'self';", "frame-ancestors 'none'", "base-uri 'none'", "require-trusted-types-for 'script'"} {
			if !strings.Contains(csp, part) {
				t.Errorf("%s: no %s", path, part)
			}
		}
		if strings.Contains(csp, "unsafe") || head.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: %v", path, head)
		}
	}
	code, text, head := p.do(t, "GET", "/api/test", "")
	if code != 200 || head.Get("Content-Type") != "application/json" || strings.ContainsAny(text, "<>&\u2028") {
		t.Errorf("%d %s %q", code, head.Get("Content-Type"), text)
	}
	if _, text, _ := p.do(t, "GET", "/", ""); strings.Contains(text, "<script>") || strings.Contains(text, " style=") || strings.Contains(text, " on") && strings.Contains(text, "onload=") {
		t.Error("something inline in the page")
	}
	for _, x := range [][3]string{{"PUT", "/api/test", "405"}, {"GET", "/../access.go", "404"}, {"GET", "/built/main.js", "404"}, {"GET", "/api/nothing", "404"}, {"GET", "/api/refused", "400"}} {
		if code, text, _ := p.do(t, x[0], x[1], ""); fmt.Sprint(code) != x[2] {
			t.Errorf("%s: %d %s", x, code, text)
		}
	}
}

func TestUsersFile(t *testing.T) {
	for _, text := range []string{"", "# nobody\n", "ada operator\n", "ada admin $2a$04$abc\n", "ada viewer plain\n", strings.Repeat("ada viewer $2a$04$zVHmKQtGGQob.b/Nc7l9NO8UlrYcW05FiuCj/SxsFO/ZtiN9.mNzy\n", 2)} {
		if _, err := ReadUsers(strings.NewReader(text)); !errors.Is(err, ErrUsers) {
			t.Errorf("%q: %v", text, err)
		}
	}
	line, err := UserLine("ada", Operator, "a long password")
	if err != nil {
		t.Fatal(err)
	}
	u, err := ReadUsers(strings.NewReader(line))
	if err != nil || u.check("ada", "a long password") != Operator || u.check("ada", "a long passworD") != Nobody {
		t.Errorf("%s: %v", line, err)
	}
	for _, x := range [][3]string{{"a b", "viewer", "a long password"}, {"", "viewer", "a long password"}, {"ada", "root", "a long password"}, {"ada", "viewer", "short"}, {"ada", "viewer", strings.Repeat("x", 73)}} {
		if _, err := UserLine(x[0], Role(x[1]), x[2]); err == nil {
			t.Errorf("%q was taken", x)
		}
	}
}

func envelope(source string, value float64) *live.Envelope {
	return &live.Envelope{Source: source, Calibration: "c", First: time.Unix(1, 0), Last: time.Unix(2, 500_000_000), Rows: 7,
		Columns: []live.Range{{Name: "a [m/m]", Of: "a", Quantity: "strain", Unit: "m/m", Min: &value, Max: &value, Last: nil, Flags: 5}}}
}

func dial(t *testing.T, h *httptest.Server, origin string) (*websocket.Conn, error) {
	t.Helper()
	c, _, err := websocket.Dial(context.Background(), h.URL+"/api/live", &websocket.DialOptions{HTTPHeader: http.Header{"Origin": {origin}}})
	if err == nil {
		t.Cleanup(func() { _ = c.CloseNow() })
	}
	return c, err
}

func TestFeed(t *testing.T) {
	h, _, s := start(t, Options{Key: "k"})
	if _, err := dial(t, h, "http://evil.example"); err == nil {
		t.Error("another origin listens")
	}
	s.Feed.Show(envelope("s", 1e-6))
	c, err := dial(t, h, h.URL)
	if err != nil {
		t.Fatal(err)
	}
	read := func() []byte {
		ctx, stop := context.WithTimeout(context.Background(), time.Minute)
		defer stop()
		_, m, err := c.Read(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	if m := read(); m[0] != 1 || !bytes.Contains(m, []byte(`"source":"s"`)) {
		t.Errorf("first %q", m)
	}
	m := read()
	f32 := func(at int) float64 { return float64(math.Float32frombits(binary.LittleEndian.Uint32(m[at:]))) }
	if len(m) != 24+16 || m[0] != 2 || binary.LittleEndian.Uint32(m[4:]) != 7 || math.Float64frombits(binary.LittleEndian.Uint64(m[16:])) != 2500 ||
		math.Abs(f32(24)-1e-6) > 1e-13 || !math.IsNaN(f32(32)) || binary.LittleEndian.Uint32(m[36:]) != 5 {
		t.Errorf("% x", m)
	}
}

// A page that reads nothing gets the newest of each source when it does, and
// holds no more than that; nobody waits for it.
func TestLatestWins(t *testing.T) {
	f := NewFeed()
	p := f.join()
	for i := range 100_000 {
		f.Show(envelope([]string{"s", "t"}[i%2], float64(i)))
	}
	seen := map[*feedSource]string{}
	messages := f.take(p, seen)
	if len(messages) != 4 { // two layouts, two envelopes
		t.Fatalf("%d messages wait", len(messages))
	}
	found := map[float64]bool{}
	for _, m := range messages {
		if m[0] == 2 {
			found[float64(math.Float32frombits(binary.LittleEndian.Uint32(m[24:])))] = true
		}
	}
	if !found[99_998] || !found[99_999] {
		t.Errorf("not the newest: %v", found)
	}
	for range mostPages - 1 {
		f.join()
	}
	if f.join() != nil {
		t.Error("too many pages")
	}
}

// What the server shows is what its sources give, byte for byte.
func TestBundleIsFresh(t *testing.T) {
	out := t.TempDir()
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	there, err := filepath.Rel(here, out)
	if err != nil {
		t.Fatal(err)
	}
	if said, err := exec.Command("go", "run", "./bundle", there).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	made, err := os.ReadDir(out)
	if err != nil || len(made) < 3 {
		t.Fatalf("%d files: %v", len(made), err)
	}
	for _, e := range made {
		want, err := os.ReadFile(filepath.Join(out, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		if got, err := built.ReadFile("built/" + e.Name()); err != nil || !bytes.Equal(got, want) {
			t.Errorf("built/%s is not what page/ gives (%v): run go generate ./sinks/console", e.Name(), err)
		}
	}
	if text, err := built.ReadFile("built/main.js"); err != nil || !bytes.Contains(text, []byte("MIT Licensed")) {
		t.Error("the licence of the plotting library is not in the bundle")
	}
}

// The cost of a test of 200 channels at 20 envelopes a second.
func BenchmarkShow200Channels(b *testing.B) {
	f := NewFeed()
	for range 5 {
		f.join()
	}
	e := &live.Envelope{Source: "s", Calibration: "c"}
	v := 1e-6
	for i := range 400 {
		e.Columns = append(e.Columns, live.Range{Name: fmt.Sprint(i), Min: &v, Max: &v, Last: &v})
	}
	for b.Loop() {
		f.Show(e)
	}
}
