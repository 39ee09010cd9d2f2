package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"shedbook/report/render"
	"shedbook/store"
)

// servePort is where the page is unless --listen says otherwise: "shed" on a
// telephone's keys.
const servePort = "7433"

// Limits of the page. A photograph may take longer than a form to come in.
const (
	headTime   = 5 * time.Second
	readTime   = 15 * time.Second
	photoTime  = 3 * time.Minute
	writeTime  = 2 * time.Minute
	idleTime   = 2 * time.Minute
	maxForm    = 512 << 10
	maxOpen    = 1000          // connections
	drainTime  = grace * 3 / 4 // for what is under way when it is stopped
	cookieLife = 400 * 24 * time.Hour
)

func (a *app) serveVerb() *cobra.Command {
	var listen, cert, key string
	c := &cobra.Command{
		Use: "serve", Short: "show the book in browsers and on phones, and record what they send", GroupID: "book",
		Args: args(0, 0, "no words, only options"),
		Long: "Shows the book in browsers, and records what they send, until you stop it (Ctrl-C).\n" +
			"Unless you give --listen, only this computer can reach it, and needs no code as long\n" +
			"as no phone was added. Everybody else needs one: shedbook phone add NAME.\n\n" +
			"Without --tls-cert and --tls-key anyone in the network can read what is sent. They are\n" +
			"read at the start: restart it when you have a new certificate.",
		RunE: func(cmd *cobra.Command, _ []string) error {
			addr, err := listenAt(listen)
			if err != nil {
				return err
			}
			if (cert == "") != (key == "") {
				return usage("", "--tls-cert and --tls-key go together: give both or neither")
			}
			var pair *tls.Config
			if cert != "" {
				loaded, err := tls.LoadX509KeyPair(cert, key)
				if err != nil {
					return usage("both are PEM files, and the key is the certificate's",
						"--tls-cert %q with --tls-key %q can't be used: %s", cert, key, err)
				}
				if end := loaded.Leaf.NotAfter; end.Before(a.now) {
					fmt.Fprintf(a.errOut,
						"note: the certificate ended on %s: phones refuse the page until there is a new one\n",
						end.Format(time.DateOnly))
				}
				pair = &tls.Config{Certificates: []tls.Certificate{loaded}, MinVersion: tls.VersionTLS12,
					NextProtos: []string{"h2", "http/1.1"}}
			}
			return a.recordIn(cmd.Context(), func(b *store.Book) error { return a.serve(cmd.Context(), b, addr, pair) })
		},
	}
	c.Flags().StringVar(&listen, "listen", "127.0.0.1:"+servePort,
		"address where the page can be reached; 0.0.0.0 is every network of this computer")
	c.Flags().StringVar(&cert, "tls-cert", "", "file with the certificate, to encrypt what is sent")
	c.Flags().StringVar(&key, "tls-key", "", "file with its key")
	return c
}

// listenAt reads an address; the port may be left out.
func listenAt(s string) (string, error) {
	host, port, err := net.SplitHostPort(s)
	if err != nil {
		host, port = strings.Trim(s, "[]"), servePort
	}
	addr := net.JoinHostPort(host, port)
	if _, err := net.ResolveTCPAddr("tcp", addr); err != nil {
		return "", usage("for instance --listen 0.0.0.0 or --listen 192.168.1.5:8080", "--listen %q is not an address",
			s)
	}
	return addr, nil
}

// serve shows the book until ctx ends. What is under way then is brought to its end.
func (a *app) serve(ctx context.Context, b *store.Book, addr string, pair *tls.Config) error {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return fmt.Errorf("can't serve the page at %s: %w", addr, err)
	}
	s := newServer(a, b, l.Addr(), pair != nil)
	scheme := "http"
	if pair != nil {
		l, scheme = tls.NewListener(l, pair), "https"
	}
	fmt.Fprintf(a.out, "the page is at %s://%s/ (stop it with Ctrl-C)\n", scheme, l.Addr())
	if !s.loopback && pair == nil {
		fmt.Fprintln(a.errOut, "note: it is not encrypted: anyone in the network can read what is sent; see --tls-cert")
	}
	if err := b.ForgetForms(ctx); err != nil {
		l.Close()
		return err
	}
	go s.look(context.WithoutCancel(ctx)) // so that the first page needn't wait
	h := s.http()
	done := make(chan error, 1)
	go func() { done <- h.Serve(l) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	left, cancel := context.WithTimeout(context.WithoutCancel(ctx), drainTime)
	defer cancel()
	if h.Shutdown(left) != nil {
		h.Close() // what is cut off was not acknowledged: the phone sends it again
	}
	fmt.Fprintln(a.out, "stopped")
	return s.book.Close()
}

// server shows one book.
type server struct {
	a        *app
	loopback bool // only this computer reaches it
	secure   bool // it speaks TLS
	open     openConns
	seen     seen

	mu   sync.Mutex
	book *store.Book
}

func newServer(a *app, b *store.Book, at net.Addr, secure bool) *server {
	s := &server{a: a, book: b, secure: secure}
	if tcp, ok := at.(*net.TCPAddr); ok {
		s.loopback = tcp.IP.IsLoopback()
	}
	s.open.all = map[net.Conn]opened{}
	return s
}

// http is the server with its limits: whoever sends too slowly, too much, or holds
// too many connections is cut off.
func (s *server) http() *http.Server {
	return &http.Server{Handler: s.handler(), ReadHeaderTimeout: headTime, ReadTimeout: readTime,
		WriteTimeout: writeTime, IdleTimeout: idleTime,
		MaxHeaderBytes: 16 << 10, ErrorLog: log.New(io.Discard, "", 0), ConnState: s.open.note}
}

// openConns are the connections that are open. Above the limit the one goes that
// has waited longest without having asked for anything.
type openConns struct {
	mu  sync.Mutex
	all map[net.Conn]opened
}

type opened struct {
	state http.ConnState
	since time.Time
}

func (o *openConns) note(c net.Conn, state http.ConnState) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if state == http.StateClosed || state == http.StateHijacked {
		delete(o.all, c)
		return
	}
	o.all[c] = opened{state, time.Now()}
	if len(o.all) <= maxOpen {
		return
	}
	var oldest net.Conn
	for other, is := range o.all {
		if is.state != http.StateActive && other != c && (oldest == nil || is.since.Before(o.all[oldest].since)) {
			oldest = other
		}
	}
	if oldest != nil {
		delete(o.all, oldest)
		go oldest.Close()
	}
}

// held is the open book: the one that stands in its place, were another put there
// since.
func (s *server) held(ctx context.Context) (*store.Book, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.book.There() {
		return s.book, nil
	}
	b, err := store.Open(context.WithoutCancel(ctx), s.book.Path(), s.now)
	if err != nil {
		return nil, err
	}
	was := s.book
	time.AfterFunc(writeTime, func() { was.Close() }) // once nobody reads from it any more
	s.book = b
	s.seen.forget()
	return b, nil
}

// now is the time, to the second.
func (s *server) now() time.Time {
	if s.a.getenv("SHEDBOOK_NOW") != "" {
		return s.a.now
	}
	return time.Now().Truncate(time.Second)
}

// said is what a verb printed.
type said struct{ out, errOut bytes.Buffer }

// at is the program as it stands behind one request: it reads and writes the open
// book, asks nothing, and prints lines of any length for a person to read.
func (s *server) at(b *store.Book, now time.Time) (*app, *said) {
	to := new(said)
	return &app{in: strings.NewReader(""), out: &to.out, errOut: &to.errOut, now: now, outTerminal: true,
		width: 1 << 20, held: b,
		getenv: func(key string) string {
			if key == "NO_COLOR" {
				return "1"
			}
			return s.a.getenv(key)
		}}, to
}

// do is a command line, done in this program.
func (a *app) do(ctx context.Context, words []string) error {
	root := a.root(words)
	root.SetArgs(words)
	root.SetIn(a.in)
	root.SetOut(a.out)
	root.SetErr(a.errOut)
	return root.ExecuteContext(ctx)
}

// handler is every page behind what goes for all of them.
func (s *server) handler() http.Handler {
	pages := s.pages()
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.message(w, http.StatusForbidden, "Refused", "This did not come from a page of this book.")
	}))
	guarded := cross.Handler(pages)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			if p := recover(); p != nil {
				if p == http.ErrAbortHandler {
					panic(p)
				}
				fmt.Fprintf(s.a.errOut, "a page failed: %s: %s\n", render.Safe(r.URL.Path), render.Safe(fmt.Sprint(p)))
				s.message(w, http.StatusInternalServerError, "It failed",
					"Something went wrong. Maybe what you sent was not recorded: look before you send it again.")
			}
		}()
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' "+
			"data:; connect-src 'self'; worker-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "geolocation=(), microphone=()")
		h.Set("Cache-Control", "no-store")
		guarded.ServeHTTP(w, r)
	})
}

// show writes a page once it is whole.
func (s *server) show(w http.ResponseWriter, status int, name string, p render.ShedPage) {
	var b bytes.Buffer
	if err := render.Shed(&b, name, p); err != nil {
		panic(err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes())
}

// message is a page that says something and no more.
func (s *server) message(w http.ResponseWriter, status int, head string, says ...string) {
	s.show(w, status, "message", render.ShedPage{Title: head, Nav: status != http.StatusForbidden,
		Body: &render.ShedMessage{Head: head, Says: says, Links: []render.ShedLink{{Href: "/", Words: "Fleet"}}}})
}

// fail says what went wrong, in a page.
func (s *server) fail(w http.ResponseWriter, err error) {
	code, says, _ := judge(err)
	status := map[int]int{exitWords: http.StatusUnprocessableEntity, exitNotFound: http.StatusNotFound,
		exitBusy: http.StatusServiceUnavailable}[code]
	status = cmp.Or(status, http.StatusInternalServerError)
	if status == http.StatusInternalServerError {
		fmt.Fprintf(s.a.errOut, "a page failed: %s\n", render.Safe(says))
		if _, path := err.(*os.PathError); path || errors.Is(err, context.Canceled) {
			says = "the book can't be read just now"
		}
	}
	s.message(w, status, "It was not done", upperFirst(cmp.Or(says, "it failed"))+".")
}
