package main

import (
	"net"
	"net/http"
	"slices"
)

// readOnly is what the service answers on an address: nobody signs in there, and
// any local user, and any web page that a browser on this machine has open, can
// reach it. So nothing there changes anything, and a page that had its own name
// point to this machine learns nothing. Events go to the socket in the data
// folder, which has an owner.
func readOnly(of http.Handler) http.Handler {
	paths := []string{"/healthz", "/readyz", "/status", "/metrics"}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case !isLoopback(r.Host):
			http.Error(w, "this is for programs on this machine, by its own address (127.0.0.1, ::1 or localhost)", http.StatusForbidden)
		case !slices.Contains(paths, r.URL.Path):
			http.Error(w, "not here: events and everything else are on the socket in the data folder", http.StatusNotFound)
		case r.Method != http.MethodGet:
			w.Header().Set("Allow", http.MethodGet)
			http.Error(w, "only to be read", http.StatusMethodNotAllowed)
		default:
			of.ServeHTTP(w, r)
		}
	})
}

// isLoopback says whether a host, with a port or without, is this machine by its
// own address.
func isLoopback(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	} else if n := len(host); n > 1 && host[0] == '[' && host[n-1] == ']' {
		host = host[1 : n-1]
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
