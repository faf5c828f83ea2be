package main

import (
	"log/slog"
	"net"
	"os"
)

// tellSupervisor sends a state (sd_notify(3): lines of NAME=VALUE, one datagram
// to the socket that NOTIFY_SOCKET names) to whoever started the service and
// asked for it. Nobody asks: nothing is done.
func tellSupervisor(log *slog.Logger, state string) {
	name := os.Getenv("NOTIFY_SOCKET")
	if name == "" {
		return
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: name, Net: "unixgram"})
	if err == nil {
		_, err = conn.Write([]byte(state))
		if closeErr := conn.Close(); err == nil {
			err = closeErr
		}
	}
	if err != nil {
		log.Warn("the supervisor was not told", "socket", name, "err", err)
	}
}
