package console

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io/fs"
	"log/slog"
	"mime"
	"net/http"
	"path"
	"strings"
	"sync"
	"time"
)

//go:generate go run ./bundle

//go:embed built
var built embed.FS

// ErrUnknown is what an Article answers to a question that it does not know.
var ErrUnknown = errors.New("nobody knows that here")

// ErrRefused is wrapped by what an Article answers when a person must ask otherwise.
var ErrRefused = errors.New("refused")

// Options say what a page is about and who may see it.
type Options struct {
	Article Article
	Feed    *Feed
	Users   *Users // nil: whoever comes may look, and who has the key may operate
	Key     string // of the printed link; only without Users
	Secure  bool   // it is served over TLS
	// Remote: it is reached from other machines. Without it a request must name this
	// machine as its host, so that a page elsewhere cannot be led here by a name.
	Remote bool
	Log    *slog.Logger
	Now    func() time.Time // time.Now when nil
}

// Server answers the page.
type Server struct {
	Options
	sessions *sessions
	assets   map[string]asset
	signing  sync.Mutex // one password is compared at a time
	lives    context.Context

	mutex sync.Mutex
	asked map[string]asked
	tasks []*running // oldest first
	work  sync.WaitGroup
}

type asset struct {
	text []byte
	kind string
	tag  string
}

// asked is a plan that waits to be confirmed.
type asked struct {
	plan Plan
	what string
	who  string
	ends time.Time
}

type running struct {
	task Task
	said bytes.Buffer
}

const (
	confirmWithin = 5 * time.Minute
	mostAsked     = 100
	mostTasks     = 50
	mostSaid      = 256 << 10
	mostRequest   = 1 << 20
)

// ErrOpen occurs for a page that others could reach without signing in, or whose
// passwords others could hear.
var ErrOpen = errors.New("a page that is reached from other machines needs TLS and users who sign in")

// New makes a server; what it begins ends with ctx, and Wait waits for that.
func New(ctx context.Context, o Options) (*Server, error) {
	if o.Remote && (!o.Secure || o.Users == nil) {
		return nil, ErrOpen
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s := &Server{Options: o, sessions: newSessions(o.Now), assets: map[string]asset{}, asked: map[string]asked{}, lives: ctx}
	return s, fs.WalkDir(built, "built", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := built.ReadFile(name)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(text)
		s.assets[strings.TrimPrefix(name, "built")] = asset{text, mime.TypeByExtension(path.Ext(name)), `"` + hex.EncodeToString(sum[:8]) + `"`}
		return nil
	})
}

// Wait waits until all that was begun has ended, which it does when the server's
// context has.
func (s *Server) Wait() { s.work.Wait() }

func (s *Server) cookie() string {
	if s.Secure {
		return "__Host-glueline"
	}
	return "glueline"
}

// who is the session of a request. On this machine, without users, whoever has
// none may look.
func (s *Server) who(r *http.Request) *session {
	if c, err := r.Cookie(s.cookie()); err == nil {
		if k := s.sessions.find(c.Value); k != nil {
			return k
		}
	}
	if s.Users == nil {
		return &session{role: Viewer}
	}
	return &session{role: Nobody}
}

func (s *Server) setCookie(w http.ResponseWriter, value string, lasts int) {
	http.SetCookie(w, &http.Cookie{Name: s.cookie(), Value: value, Path: "/", HttpOnly: true, Secure: s.Secure, SameSite: http.SameSiteStrictMode, MaxAge: lasts})
}

func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	setHeaders(w.Header(), s.Secure)
	if !s.Remote && !isLoopback(r.Host) {
		http.Error(w, "this page is for this machine: open it as 127.0.0.1 or localhost", http.StatusMisdirectedRequest)
		return
	}
	get := r.Method == http.MethodGet || r.Method == http.MethodHead
	if !get {
		if r.Method != http.MethodPost {
			w.Header().Set("Allow", "GET, POST")
			http.Error(w, "only GET and POST", http.StatusMethodNotAllowed)
			return
		}
		if !sameOrigin(r) {
			http.Error(w, "this does not come from the page", http.StatusForbidden)
			return
		}
	}
	switch {
	case get && r.URL.Path == "/" && r.URL.Query().Has("key"):
		s.letIn(w, r)
	case get && !strings.HasPrefix(r.URL.Path, "/api/"):
		s.file(w, r)
	case r.URL.Path == "/api/me" && get:
		s.me(w, r)
	case r.URL.Path == "/api/sign-in" && !get:
		s.signIn(w, r)
	case r.URL.Path == "/api/sign-out" && !get:
		if c, err := r.Cookie(s.cookie()); err == nil {
			s.sessions.close(c.Value)
		}
		s.setCookie(w, "", -1)
		say(w, struct{}{})
	default:
		s.api(w, r, get)
	}
}

// letIn gives whoever comes by the printed link a session, and takes the key out
// of the address.
func (s *Server) letIn(w http.ResponseWriter, r *http.Request) {
	if s.Users == nil && s.Key != "" && s.sessions.mayTry() {
		if same(r.URL.Query().Get("key"), s.Key) {
			s.setCookie(w, s.sessions.open("", Operator), int(sessionLasts.Seconds()))
		} else {
			s.sessions.failed()
		}
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

func (s *Server) file(w http.ResponseWriter, r *http.Request) {
	name := r.URL.Path
	if name == "/" {
		name = "/index.html"
	}
	a, ok := s.assets[name]
	if !ok {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Content-Type", a.kind)
	h.Set("Cache-Control", "no-cache")
	h.Set("ETag", a.tag)
	http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(a.text))
}

func (s *Server) me(w http.ResponseWriter, r *http.Request) {
	k := s.who(r)
	say(w, map[string]any{"who": k.who, "role": k.role, "token": k.token, "sign_in": s.Users != nil})
}

func (s *Server) signIn(w http.ResponseWriter, r *http.Request) {
	var given struct{ Name, Password string }
	if !hear(w, r, &given) {
		return
	}
	if s.Users == nil {
		http.Error(w, "nobody signs in here: open the link that the service printed", http.StatusForbidden)
		return
	}
	s.signing.Lock()
	defer s.signing.Unlock()
	if !s.sessions.mayTry() {
		http.Error(w, "too many wrong passwords; wait a minute", http.StatusTooManyRequests)
		return
	}
	role := s.Users.check(given.Name, given.Password)
	if role == Nobody {
		s.sessions.failed()
		s.Log.Warn("somebody could not sign in to the console", "from", r.RemoteAddr)
		http.Error(w, "name or password is wrong", http.StatusForbidden)
		return
	}
	s.setCookie(w, s.sessions.open(given.Name, role), int(sessionLasts.Seconds()))
	say(w, struct{}{})
}

// api answers those who may ask.
func (s *Server) api(w http.ResponseWriter, r *http.Request, get bool) {
	k := s.who(r)
	if k.role == Nobody {
		http.Error(w, "sign in first", http.StatusUnauthorized)
		return
	}
	if !get {
		switch {
		case k.role != Operator:
			http.Error(w, "you may look, but not change anything: sign in as an operator, or open the link that the service printed", http.StatusForbidden)
			return
		case !same(r.Header.Get("X-Glueline-Token"), k.token):
			http.Error(w, "the page is older than your session; load it again", http.StatusForbidden)
			return
		}
	}
	what := strings.TrimPrefix(r.URL.Path, "/api/")
	switch {
	case get && what == "live":
		s.live(w, r)
	case get && what == "test":
		v, err := s.Article.Describe(r.Context())
		s.answer(w, v, err)
	case get && what == "task":
		s.task(w, r)
	case get:
		v, err := s.Article.Look(r.Context(), what, Query(r.URL.Query()))
		s.answer(w, v, err)
	case what == "ask":
		s.ask(w, r, k)
	case what == "do":
		s.do(w, r, k)
	default:
		http.NotFound(w, r)
	}
}

// live sends envelopes until the page or the server ends.
func (s *Server) live(w http.ResponseWriter, r *http.Request) {
	if !sameOrigin(r) {
		http.Error(w, "this does not come from the page", http.StatusForbidden)
		return
	}
	s.work.Add(1)
	defer s.work.Done()
	s.Feed.serve(s.lives, w, r)
}

func (s *Server) answer(w http.ResponseWriter, v any, err error) {
	switch {
	case errors.Is(err, ErrUnknown):
		http.Error(w, err.Error(), http.StatusNotFound)
	case errors.Is(err, ErrRefused):
		http.Error(w, strings.TrimPrefix(err.Error(), ErrRefused.Error()+": "), http.StatusBadRequest)
	case err != nil:
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
	default:
		say(w, v)
	}
}

func say(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	// A page that went away is nobody to tell.
	_ = json.NewEncoder(w).Encode(v)
}

// hear reads a request's JSON, and answers where it is none.
func hear(w http.ResponseWriter, r *http.Request, into any) bool {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "application/json" {
		http.Error(w, "send JSON", http.StatusUnsupportedMediaType)
		return false
	}
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, mostRequest))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		http.Error(w, "this is not what the page sends", http.StatusBadRequest)
		return false
	}
	return true
}

// ask says what would be done, and gives the word that doing it needs.
func (s *Server) ask(w http.ResponseWriter, r *http.Request, k *session) {
	var a Action
	if !hear(w, r, &a) {
		return
	}
	if k.who != "" { // nobody signs with another's name
		if a.Fields == nil {
			a.Fields = map[string]string{}
		}
		a.Fields["who"] = k.who
	}
	p, err := s.Article.Plan(r.Context(), a)
	if err != nil {
		s.answer(w, nil, err)
		return
	}
	word := rand.Text()
	s.mutex.Lock()
	defer s.mutex.Unlock()
	now := s.Now()
	for old, x := range s.asked {
		if now.After(x.ends) || len(s.asked) >= mostAsked {
			delete(s.asked, old)
		}
	}
	s.asked[word] = asked{p, a.What, k.token, now.Add(confirmWithin)}
	say(w, map[string]string{"says": p.Says, "word": word})
}

// do begins what was asked and confirmed.
func (s *Server) do(w http.ResponseWriter, r *http.Request, k *session) {
	var given struct{ Word string }
	if !hear(w, r, &given) {
		return
	}
	s.mutex.Lock()
	a, ok := s.asked[given.Word]
	ok = ok && same(a.who, k.token) && !s.Now().After(a.ends)
	if ok {
		delete(s.asked, given.Word)
	}
	s.mutex.Unlock()
	if !ok {
		http.Error(w, "that was done already, or it was asked too long ago; ask again", http.StatusConflict)
		return
	}
	t := &running{task: Task{ID: rand.Text(), What: a.what, Who: k.who, Began: s.Now().UTC()}}
	s.mutex.Lock()
	if len(s.tasks) >= mostTasks {
		s.tasks = s.tasks[1:]
	}
	s.tasks = append(s.tasks, t)
	s.mutex.Unlock()
	s.work.Go(func() {
		// It goes on when the page is closed: a window that was opened is closed.
		err := a.plan.Run(s.lives, &taskOutput{s, t})
		s.mutex.Lock()
		defer s.mutex.Unlock()
		t.task.Done = true
		if err != nil {
			t.task.Error = err.Error()
		}
	})
	say(w, map[string]string{"task": t.task.ID})
}

// task tells how an action goes.
func (s *Server) task(w http.ResponseWriter, r *http.Request) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	for _, t := range s.tasks {
		if t.task.ID == r.URL.Query().Get("id") {
			t.task.Said = t.said.String()
			say(w, t.task)
			return
		}
	}
	http.Error(w, "no such task", http.StatusNotFound)
}

// taskOutput keeps what an action says, up to a bound.
type taskOutput struct {
	server *Server
	task   *running
}

func (o *taskOutput) Write(text []byte) (int, error) {
	o.server.mutex.Lock()
	defer o.server.mutex.Unlock()
	if room := mostSaid - o.task.said.Len(); room > 0 {
		o.task.said.Write(text[:min(room, len(text))])
	}
	return len(text), nil
}
