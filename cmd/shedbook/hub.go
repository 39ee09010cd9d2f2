package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"shedbook/report/render"
	"shedbook/report/say"
	"shedbook/schema/unit"
	"shedbook/store"
	"shedbook/store/ticket"
)

// ticketDays is how long a ticket is good for joining.
const ticketDays = 7

// startHub writes what the hub's servers need, and makes this book the office.
func (a *app) startHub(ctx context.Context, b *store.Book, addresses, directory string) error {
	h, err := b.Hub(ctx)
	if err != nil {
		return err
	}
	depots, err := b.Depots(ctx)
	if err != nil {
		return err
	}
	me := depots[0]
	if h != nil && !h.Office() {
		return notOffice()
	}
	if directory, err = filepath.Abs(directory); err != nil {
		return err
	}
	authority, err := ticket.WriteServers(directory, addresses, a.now)
	if err != nil {
		return err
	}
	if h == nil {
		var public string
		h = &store.Hub{Seal: store.NewSeal()}
		if h.Seed, public, err = ticket.Key(); err != nil {
			return err
		}
		mark := strings.TrimRight(me.Mark, "0123456789") // of whatever life
		if err := b.SetAccount(ctx, store.Account{Mark: mark, Name: me.Name, Public: public}); err != nil {
			return err
		}
	}
	h.Addresses, h.Authority, h.Directory = addresses, authority, directory
	if err := b.SetHub(ctx, h); err != nil {
		return err
	}
	if _, err := a.writeAccounts(ctx, b); err != nil {
		return err
	}
	rooms, err := ticket.Rooms(directory, addresses)
	if err != nil {
		return err
	}
	for _, room := range rooms {
		a.say(0, "Bring %s to %s, and start nats-server -c nats.conf there, in that directory.", render.Safe(room),
			render.Safe(filepath.Base(room)))
	}
	a.say(0, "Then: shedbook exchange. To let another depot in: shedbook depot invite. Keep authority.key here, and "+
		"the directory as you keep the book.")
	return nil
}

func notOffice() error {
	return usage("do this in the book in which shedbook depot start --hub was given", "this book is not the office's")
}

// office is the hub of which this book is the office.
func office(ctx context.Context, b *store.Book) (*store.Hub, error) {
	h, err := b.Hub(ctx)
	if err == nil && (h == nil || !h.Office()) {
		err = notOffice()
	}
	return h, err
}

// writeAccounts writes who may come to the hub.
func (a *app) writeAccounts(ctx context.Context, b *store.Book) (*store.Hub, error) {
	h, err := office(ctx, b)
	if err != nil {
		return nil, err
	}
	all, err := b.Accounts(ctx)
	if err != nil {
		return nil, err
	}
	var out []ticket.Account
	for _, is := range all {
		if is.May(a.now) {
			out = append(out, ticket.Account{Mark: is.Mark, Public: is.Public, Office: is.Mark == h.Mark})
		}
	}
	return h, ticket.WriteAccounts(h.Directory, h.Addresses, out)
}

// reload lets the servers read their accounts anew, or says how.
func (a *app) reload(h *store.Hub) error {
	rooms, err := ticket.Rooms(h.Directory, h.Addresses)
	for _, room := range rooms {
		if reloaded(room) {
			a.say(0, "the hub's server here knows it now")
			continue
		}
		a.say(0, "Bring %s to %s, and let the server read it: nats-server --signal reload=nats.pid, in its directory. "+
			"Until then it does not know.", render.Safe(filepath.Join(room, "accounts.conf")),
			render.Safe(filepath.Base(room)))
	}
	return err
}

// reloaded tells a server that runs out of this directory, on this computer, to read its
// files. A number in a file may be another program's by now.
func reloaded(room string) bool {
	text, err := os.ReadFile(filepath.Join(room, "nats.pid"))
	if err != nil {
		return false
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil || pid < 2 {
		return false
	}
	program, err := os.Readlink(fmt.Sprintf("/proc/%d/exe", pid))
	if err != nil || filepath.Base(program) != "nats-server" {
		return false
	}
	p, err := os.FindProcess(pid)
	return err == nil && p.Signal(syscall.SIGHUP) == nil
}

func (a *app) depotInvite() *cobra.Command {
	var name, out string
	c := &cobra.Command{
		Use: "invite MARK --name NAME --out FILE", Short: "the office: write a ticket for another depot",
		Args: args(1, 1, "the depot's mark"),
		Long: fmt.Sprintf(`Writes a ticket, with which another depot joins: shedbook depot join FILE. It is good for %d
days. Whoever has it is that depot: bring it by hand, or in a sealed message. A depot
that is there already gets a new key, and its former one is worth nothing.`, ticketDays),
		RunE: func(cmd *cobra.Command, given []string) error {
			ctx, mark := cmd.Context(), given[0]
			if out == "" {
				return usage("for instance --out north.ticket", "say where the ticket is to be written: --out FILE")
			}
			return a.recordIn(ctx, func(b *store.Book) error {
				h, err := office(ctx, b)
				if err != nil {
					return err
				}
				all, err := b.Accounts(ctx)
				if err != nil {
					return err
				}
				is := store.Account{Mark: mark, Name: name}
				for _, was := range all {
					if was.Mark == mark && was.Closed != "" {
						return usage("choose another mark", "depot %s was closed: %s", mark, was.Closed)
					}
					if was.Mark == mark {
						is.Name = cmp.Or(name, was.Name)
					}
				}
				if mark == h.Mark {
					return usage("choose another mark", "%s is this depot", mark)
				}
				if is.Name == "" {
					return usage("for instance --name 'North yard'", "say what the depot is called: --name NAME")
				}
				is.Until = a.now.AddDate(0, 0, ticketDays)
				t := ticket.Ticket{Company: h.Company, Mark: mark, Name: is.Name, Addresses: h.Addresses,
					Authority: h.Authority, Seal: h.Seal, Until: is.Until}
				if t.Seed, is.Public, err = ticket.Key(); err != nil {
					return err
				}
				if err := writeTicket(out, &t); err != nil { // first: without it nobody has the key
					return err
				}
				if err := b.SetAccount(ctx, is); err != nil {
					return errors.Join(err, os.Remove(out))
				}
				if _, err := a.writeAccounts(ctx, b); err != nil {
					return err
				}
				s, err := b.Settings(ctx)
				if err != nil {
					return err
				}
				a.say(0, "%s written: depot %s, %s, may join with it until %s", out, mark, render.Safe(is.Name),
					unit.FormatTime(is.Until, s.Zone()))
				return a.reload(h)
			})
		},
	}
	c.Flags().StringVar(&name, "name", "", "what the depot is called")
	c.Flags().StringVar(&out, "out", "", "write the ticket to this file")
	return c
}

// writeTicket writes a ticket that nobody else may read, to a file that is not there yet.
func writeTicket(name string, t *ticket.Ticket) error {
	text, err := t.Text()
	if err != nil {
		return err
	}
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return usage("choose another file", "%s is there already", name)
	} else if err != nil {
		return err
	}
	_, err = f.Write(append(text, '\n'))
	return errors.Join(err, f.Close())
}

// joinByTicket lets this book into the company that a ticket is of.
func (a *app) joinByTicket(ctx context.Context, name string, content []byte) error {
	t, err := ticket.Read(content)
	if err != nil {
		return usage("name the file that shedbook depot invite --out wrote", "%s: %s", name, err)
	}
	if !a.now.Before(t.Until) {
		return usage("ask the office for a new one: shedbook depot invite "+t.Mark, "this ticket ran out on %s",
			t.Until.Format("2 Jan 2006"))
	}
	return a.record(ctx, func(b *store.Book) error {
		h := &store.Hub{Addresses: t.Addresses, Authority: t.Authority, Seed: t.Seed, Seal: t.Seal, Company: t.Company,
			Mark: t.Mark}
		if err := b.JoinHub(ctx, h, t.Name); err != nil {
			return err
		}
		a.say(0, "this book is depot %s, %s", t.Mark, render.Safe(t.Name))
		a.say(0, "To hear of the others, and be heard: shedbook exchange.")
		return nil
	})
}

func (a *app) depotClose() *cobra.Command {
	var why string
	c := &cobra.Command{
		Use: "close MARK --why REASON", Short: "the office: a depot comes to the hub no more",
		Args: args(1, 1, "the depot's mark"),
		Long: `Takes a depot's key to the hub from it. What it recorded and sent stays; what it did not
send is lost to the others, unless a file is brought (shedbook exchange --out there). It
keeps its copy of all records.`,
		RunE: func(cmd *cobra.Command, given []string) error {
			ctx, mark := cmd.Context(), given[0]
			if strings.TrimSpace(why) == "" {
				return usage("for instance --why 'sold'", "say why: --why REASON")
			}
			return a.recordIn(ctx, func(b *store.Book) error {
				h, err := office(ctx, b)
				if err != nil {
					return err
				}
				if mark == h.Mark {
					return usage("", "%s is this depot, the office", mark)
				}
				all, err := b.Accounts(ctx)
				if err != nil {
					return err
				}
				for _, is := range all {
					if is.Mark != mark {
						continue
					}
					is.Closed = why
					if err := b.SetAccount(ctx, is); err != nil {
						return err
					}
					if _, err := a.writeAccounts(ctx, b); err != nil {
						return err
					}
					a.say(0, "depot %s is closed: %s", mark, render.Safe(why))
					return a.reload(h)
				}
				return &store.Error{Trouble: store.NotFound, Says: "no depot was invited as " + mark,
					Hint: "shedbook depot shows the marks"}
			})
		},
	}
	c.Flags().StringVar(&why, "why", "", "why it is closed")
	return c
}

func (a *app) depotRenew() *cobra.Command {
	return &cobra.Command{
		Use: "renew", Short: "this book was put back from a copy, and others hold back what it sends",
		Args: args(0, 0, "no words"),
		Long: `For a book that was put back from a copy that backup did not make, and sent something
before it heard of what was lost: the others hold that back, and shedbook depot there
says that the book was set back. From now on this book's records are of a new book of
its depot, N2-311, and so are those since the copy. Others take them in.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx := cmd.Context()
			return a.recordIn(ctx, func(b *store.Book) error {
				name, took, err := b.RenewLife(ctx)
				if err != nil {
					return err
				}
				a.say(0, "this book is %s from now on", name)
				return a.sayTook(ctx, b, took)
			})
		},
	}
}

// exchangeProgram is what exchanges with the hub: a program of its own, since its library
// would make every start of this one slower.
func exchangeProgram() (string, error) {
	name := "shedbook-exchange"
	if runtime.GOOS == "windows" {
		name += ".exe"
	}
	if own, err := os.Executable(); err == nil {
		beside := filepath.Join(filepath.Dir(own), name)
		if _, err := os.Stat(beside); err == nil {
			return beside, nil
		}
	}
	path, err := exec.LookPath(name)
	if err != nil {
		return "", &store.Error{Trouble: store.Failed, Says: "the program " + name + ", which talks to the hub, " +
			"is not beside this one", Hint: "go install ./cmd/shedbook-exchange, in the directory of the source"}
	}
	return path, nil
}

// exchangeByHub sends what waits and takes in what the others sent.
func (a *app) exchangeByHub(ctx context.Context, follow bool) error {
	path, err := a.bookPath()
	if err != nil {
		return err
	}
	knows := false
	if err := a.view(ctx, func(b *store.Book) error {
		h, err := b.Hub(ctx)
		knows = h != nil
		return err
	}); err != nil {
		return err
	}
	if !knows {
		return usage("for instance: shedbook exchange --out stick.bundles", "this book knows no hub: give --out FILE "+
			"or --in FILE")
	}
	program, err := exchangeProgram()
	if err != nil {
		return err
	}
	words := []string{"--book", path}
	if follow {
		words = append(words, "--follow")
	}
	c := exec.CommandContext(ctx, program, words...)
	c.Stdout, c.Stderr = a.out, a.errOut
	c.Cancel = func() error { return c.Process.Signal(syscall.SIGTERM) }
	if err := c.Run(); c.ProcessState == nil {
		return err
	}
	if code := c.ProcessState.ExitCode(); code != exitDone {
		return exitError(code)
	}
	return nil
}

// noteWaiting says once that entries wait to be sent, where the last exchange is more
// than a day ago.
func (a *app) noteWaiting(ctx context.Context, b *store.Book) {
	if a.held != nil || a.toldWaiting {
		return
	}
	a.toldWaiting = true
	n, since, ever, err := b.WaitForHub(ctx)
	if err != nil || n == 0 || a.now.Sub(since) < 24*time.Hour {
		return
	}
	last := "the last exchange was " + ago(a.now.Sub(since))
	if !ever {
		last = "nothing was exchanged yet"
	}
	verb := "waits"
	if n > 1 {
		verb = "wait"
	}
	fmt.Fprintf(a.errOut, "%s %s to be sent, %s\n", say.Count(int(n), "entry", "entries"), verb, last)
}

// ago says how long ago something was.
func ago(d time.Duration) string {
	switch {
	case d < time.Minute:
		return "just now"
	case d < time.Hour:
		return say.Count(int(d/time.Minute), "minute") + " ago"
	case d < 24*time.Hour:
		return say.Count(int(d/time.Hour), "hour") + " ago"
	}
	return say.Count(int(d/(24*time.Hour)), "day") + " ago"
}

// clockWrong is from where on a depot's clock is worth a word. Common practice, no source.
const clockWrong = 5 * time.Minute

// clockSays says that a depot's clock is wrong; "" where it is not.
func clockSays(ahead time.Duration) string {
	how := "fast"
	if ahead < 0 {
		ahead, how = -ahead, "slow"
	}
	if ahead < clockWrong {
		return ""
	}
	return "its clock is " + strings.TrimSuffix(ago(ahead), " ago") + " " + how
}
