package main

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// On an address nothing can be changed, whoever asks and however.
func TestAnAddressIsOnlyToBeRead(t *testing.T) {
	b := newLiveBench(t)
	address := freeAddress(t)
	b.restart("--http", address)
	b.feed(1)
	before := b.journaled()
	const note = `{"event":"note","text":"x","time":"2026-03-02T08:00:00Z","who":"a page"}`
	for _, c := range []struct {
		name, method, path, host, origin string
		want                             int
		says                             string
	}{
		{"a supervisor", "GET", "/healthz", address, "", 200, "ok"},
		{"readiness", "GET", "/readyz", address, "", 200, `"ready":true`},
		{"a screen", "GET", "/status", "localhost:8080", "", 200, `"test":"bench"`},
		{"a scrape", "GET", "/metrics", "[::1]:8080", "", 200, "glueline"},
		{"a local user", "POST", "/events", address, "", 404, "the socket in the data folder"},
		{"a web page", "POST", "/events", address, "http://evil.example", 404, "the socket in the data folder"},
		{"a page whose name was made to point here", "GET", "/status", "evil.example:8080", "", 403, "by its own address"},
		{"and without a port", "GET", "/status", "evil.example", "", 403, "by its own address"},
		{"a name that begins like it", "GET", "/status", "localhost.evil.example", "", 403, "by its own address"},
		{"posting to what is read", "POST", "/status", address, "", 405, "only to be read"},
		{"zeros", "GET", "/zeros", address, "", 404, "the socket"},
		{"quarantine", "GET", "/quarantine", address, "", 404, "the socket"},
		{"round a corner", "POST", "/status/../events", address, "", 404, "the socket"},
	} {
		r, err := http.NewRequestWithContext(t.Context(), c.method, "http://"+address+c.path, strings.NewReader(note))
		if err != nil {
			t.Fatal(err)
		}
		r.Host = c.host
		if c.origin != "" {
			r.Header.Set("Origin", c.origin)
		}
		answer, err := http.DefaultTransport.RoundTrip(r)
		if err != nil {
			t.Fatal(err)
		}
		var text strings.Builder
		if err := answer.Write(&text); err != nil {
			t.Fatal(err)
		}
		if answer.StatusCode != c.want || !strings.Contains(text.String(), c.says) {
			t.Errorf("%s: %s", c.name, text.String())
		}
	}
	if after := b.journaled(); after != before {
		t.Errorf("%d messages came that way", after-before)
	}
	b.command(0, nil, "note", "by the socket it does")
}

func TestLoopbackHosts(t *testing.T) {
	for host, want := range map[string]bool{
		"127.0.0.1": true, "127.0.0.1:80": true, "127.3.4.5:80": true, "localhost": true, "localhost:80": true, "[::1]": true, "[::1]:80": true, "::1": true,
		"": false, "192.0.2.1": false, "localhost.": false, "127.0.0.1.evil.example": false, "[": false, "[]": false, "0.0.0.0": false, "[::]:80": false,
	} {
		if isLoopback(host) != want {
			t.Errorf("%q: %t", host, !want)
		}
	}
	// What a handler behind it would do is not asked.
	got := httptest.NewRecorder()
	readOnly(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("it was asked") })).ServeHTTP(got, httptest.NewRequest("DELETE", "http://127.0.0.1/healthz", nil))
	if got.Code != http.StatusMethodNotAllowed {
		t.Error(got.Code)
	}
}
