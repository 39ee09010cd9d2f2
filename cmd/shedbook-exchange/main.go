// Command shedbook-exchange brings what one depot recorded to the others, over the
// company's hub. shedbook exchange runs it. It is a program of its own since what it
// links would make every start of shedbook slower.
package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"maps"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	"time"

	"shedbook/store"
	"shedbook/store/hub"
)

// Exit codes, as shedbook has them.
const (
	exitFailed = 1
	exitWords  = 2
	exitBusy   = 5
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:]))
}

func run(ctx context.Context, args []string) int {
	flags := flag.NewFlagSet("shedbook-exchange", flag.ContinueOnError)
	path := flags.String("book", "", "the book's file")
	follow := flags.Bool("follow", false, "go on until it is stopped")
	if err := flags.Parse(args); err != nil || *path == "" || flags.NArg() > 0 {
		fmt.Fprintln(os.Stderr, "shedbook-exchange: shedbook exchange runs this program\ntry: shedbook exchange --help")
		return exitWords
	}
	err := exchange(ctx, *path, *follow)
	var own *store.Error
	switch {
	case err == nil:
		return 0
	case errors.As(err, &own):
		fmt.Fprintf(os.Stderr, "shedbook: %s\n", own)
		if own.Hint != "" {
			fmt.Fprintf(os.Stderr, "try: %s\n", own.Hint)
		}
		switch own.Trouble {
		case store.Busy:
			return exitBusy
		case store.Refused:
			return exitWords
		}
	default:
		fmt.Fprintf(os.Stderr, "shedbook: %s\n", err)
	}
	return exitFailed
}

func exchange(ctx context.Context, path string, follow bool) error {
	b, err := store.Open(ctx, path, time.Now)
	if err != nil {
		return err
	}
	defer b.Close()
	h, err := b.Hub(ctx)
	if err != nil {
		return err
	}
	if h == nil {
		return &store.Error{Trouble: store.Refused, Says: "this book knows no hub",
			Hint: "shedbook depot join TICKET; by file: shedbook exchange --out FILE"}
	}
	release, err := store.LockExchange(path)
	if err != nil {
		return err
	}
	defer release()
	took, sent := map[string]int64{}, int64(0)
	e := &hub.Exchange{Book: b,
		Took: func(t *store.TookBundles) {
			for mark, n := range t.Entries {
				if n > 0 {
					took[mark] += n
				}
			}
		},
		Sent: func(n int64) { sent += n },
		Lost: func(err error) {
			says, try := lost(err)
			if try != "" {
				try = "; " + try
			}
			fmt.Fprintf(os.Stderr, "%s: %s; what waits stays%s\n", now(), says, try)
		},
		Again: func() { fmt.Fprintf(os.Stderr, "%s: connected to the hub\n", now()) },
	}
	if follow {
		e.Follow(ctx)
		return nil
	}
	if err := e.Once(ctx); err != nil {
		says, try := lost(err)
		return &store.Error{Says: says + "; what waits stays", Hint: cmp.Or(try, "shedbook exchange again later")}
	}
	if h, err = b.Hub(ctx); err != nil {
		return err
	}
	if h.Refused != "" {
		fmt.Fprintf(os.Stderr, "note: %s\n", plain(h.Refused))
	}
	fmt.Printf("sent: %s; taken in: %s\n", entries(sent), byDepot(took))
	return nil
}

func now() string { return time.Now().Format(time.RFC3339) }

// plain is a text of another's making, without what a terminal would obey.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7f && r < 0xa0 {
			return '?'
		}
		return r
	}, s)
}

// lost says what keeps the book from the hub, and what to do.
func lost(err error) (says, try string) {
	var own *store.Error
	if errors.As(err, &own) {
		return own.Error(), own.Hint
	}
	return hub.Says(err)
}

func entries(n int64) string {
	if n == 1 {
		return "1 entry"
	}
	return fmt.Sprintf("%d entries", n)
}

func byDepot(took map[string]int64) string {
	var parts []string
	for _, mark := range slices.Sorted(maps.Keys(took)) {
		parts = append(parts, entries(took[mark])+" of "+mark)
	}
	if len(parts) == 0 {
		return "no entries"
	}
	return strings.Join(parts, ", ")
}
