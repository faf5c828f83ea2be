// Package console shows a running test on a page and takes what people say there.
//
// It knows how to speak with a browser: who may do what, what a page may load,
// how live values reach it. What the test is, what is known of it and how
// something is done comes from an Article, which the command gives.
//
//	browser ── GET /api/… ───────► Server ──► Article
//	        ── POST /api/ask ────►   │        (what would be done, in words)
//	        ── POST /api/do ─────►   │        (does it, as a Task)
//	        ◄─ /api/live (WebSocket) Feed ◄── envelopes of sinks/live
//
// Nothing is done at the first request: ask answers what would be done and gives
// a word that do needs, once.
//
// On an address of this machine whoever comes may look, and whoever has the
// printed link may operate. Elsewhere nobody sees anything without signing in,
// over TLS. It does not protect anything: Glueline monitors.
package console
