package main

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"strings"
	"time"

	"glueline/sinks/console"
)

// consoleFlags say where the page is served, and to whom.
type consoleFlags struct {
	Console      string `default:"127.0.0.1:0" help:"Address of the page on which the test is looked at and worked with. On this machine alone, unless --console-users and a certificate are given; port 0 is any that is free, and is printed (deploy/CONSOLE.md)."`
	NoConsole    bool   `help:"No page."`
	ConsoleUsers string `type:"existingfile" placeholder:"FILE" help:"Who may sign in: lines of glueline console-user."`
	ConsoleCert  string `type:"existingfile" placeholder:"FILE" help:"Certificate of the page, PEM."`
	ConsoleKey   string `type:"existingfile" placeholder:"FILE" help:"Its key, PEM."`
}

// errConsole occurs for a page that others could reach and nobody guards.
var errConsole = errors.New("a page that other machines reach needs people who sign in and TLS")

// check refuses what would be open to the network.
func (f *consoleFlags) check() error {
	if f.Console == "" || f.NoConsole {
		return nil
	}
	if _, _, err := net.SplitHostPort(f.Console); err != nil {
		return fmt.Errorf("--console %s: write address and port, for example 127.0.0.1:8090", f.Console)
	}
	if (f.ConsoleCert == "") != (f.ConsoleKey == "") {
		return errors.New("--console-cert and --console-key belong together")
	}
	if !isLoopback(f.Console) && (f.ConsoleUsers == "" || f.ConsoleCert == "") {
		return fmt.Errorf("--console %s: %w: give --console-users, --console-cert and --console-key, or an address of this machine", f.Console, errConsole)
	}
	return nil
}

// page is the console of a service.
type page struct {
	feed     *console.Feed
	listener net.Listener
	server   *console.Server
	link     string
	article  *consoleArticle
}

// open listens, so that an address that is taken is known at once. It returns nil
// without a console.
func (f *consoleFlags) open(ctx context.Context, svc *service, log *slog.Logger) (*page, error) {
	if f.Console == "" || f.NoConsole {
		return nil, nil
	}
	article := &consoleArticle{svc: svc}
	o := console.Options{Article: article, Feed: console.NewFeed(), Secure: f.ConsoleCert != "", Remote: !isLoopback(f.Console), Log: log}
	if f.ConsoleUsers != "" {
		file, err := os.Open(f.ConsoleUsers)
		if err != nil {
			return nil, fmt.Errorf("--console-users: %w", err)
		}
		o.Users, err = console.ReadUsers(file)
		if err := errors.Join(err, file.Close()); err != nil {
			return nil, fmt.Errorf("--console-users %s: %w", f.ConsoleUsers, err)
		}
	} else {
		o.Key = console.NewKey()
	}
	p := &page{feed: o.Feed, article: article}
	var err error
	if p.server, err = console.New(ctx, o); err != nil {
		return nil, err
	}
	if p.listener, err = net.Listen("tcp", f.Console); err != nil {
		return nil, fmt.Errorf("--console: %w", err)
	}
	scheme, query := "http", ""
	if o.Secure {
		pair, err := tls.LoadX509KeyPair(f.ConsoleCert, f.ConsoleKey)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("--console-cert: %w", err), p.listener.Close())
		}
		p.listener = tls.NewListener(p.listener, &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12, NextProtos: []string{"http/1.1"}})
		scheme = "https"
	}
	if o.Key != "" {
		query = "?key=" + o.Key
	}
	p.link = scheme + "://" + p.listener.Addr().String() + "/" + query
	return p, nil
}

// serve answers until ctx ends.
func (p *page) serve(ctx context.Context, log *slog.Logger) error {
	server := &http.Server{Handler: p.server, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 30 * time.Second, MaxHeaderBytes: 16 << 10,
		ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug)}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		<-ctx.Done()
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		if err := server.Shutdown(stop); err != nil {
			log.Warn("the console was cut off", "err", err)
			_ = server.Close()
		}
		p.server.Wait()
	}()
	err := server.Serve(p.listener)
	if ctx.Err() == nil {
		return fmt.Errorf("console: %w", err)
	}
	<-ended
	return nil
}

type consoleUserCommand struct {
	Name string `arg:"" help:"Name that the person signs in by, and that stands in the journal for what they do."`
	Role string `arg:"" enum:"viewer,operator" help:"viewer: may look; operator: may also take zeros, change constants and the like."`
}

// Run prints the line of a person for --console-users; the password comes from
// standard input.
func (c *consoleUserCommand) Run(s streams) error {
	fmt.Fprintln(s.err, "Password (10 to 72 bytes, one line of standard input; it is shown as you type it):")
	line, err := bufio.NewReader(os.Stdin).ReadString('\n')
	if err != nil && line == "" {
		return errors.New("no password came on standard input")
	}
	text, err := console.UserLine(c.Name, console.Role(c.Role), strings.TrimRight(line, "\r\n"))
	if err != nil {
		return err
	}
	fmt.Fprintln(s.out, text)
	return nil
}
