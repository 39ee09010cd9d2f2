package hub

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"shedbook/schema"
	"shedbook/store"
	"shedbook/store/ticket"
)

// These tests start real servers on loopback. They are skipped where nats-server is not
// in the path; NATS_SERVER may name it.

func program(t *testing.T) string {
	t.Helper()
	name := os.Getenv("NATS_SERVER")
	if name == "" {
		name = "nats-server"
	}
	path, err := exec.LookPath(name)
	if err != nil {
		t.Skip("nats-server is not here (go install github.com/nats-io/nats-server/v2@v2.12.1)")
	}
	return path
}

// server is one process.
type server struct {
	t    *testing.T
	room string
	cmd  *exec.Cmd
}

func (s *server) start() {
	s.cmd = exec.Command(program(s.t), "-c", "nats.conf")
	s.cmd.Dir = s.room
	out, err := os.OpenFile(filepath.Join(s.room, "log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	require.NoError(s.t, err)
	defer out.Close()
	s.cmd.Stdout, s.cmd.Stderr = out, out
	require.NoError(s.t, s.cmd.Start())
}

func (s *server) kill() {
	if s.cmd != nil {
		_ = s.cmd.Process.Kill()
		_ = s.cmd.Wait()
		s.cmd = nil
	}
}

func (s *server) wipe() { require.NoError(s.t, os.RemoveAll(filepath.Join(s.room, "data"))) }

// yard is a book of the company.
type yard struct {
	t    *testing.T
	mark string
	path string
	b    *store.Book
	sent int64
}

// company is a hub of some servers, with its office H and other books.
type company struct {
	t         *testing.T
	dir       string
	addresses string
	servers   []*server
	accounts  []ticket.Account
	seal      []byte
	yards     []*yard
}

func freePort(t *testing.T) int {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

func begin(t *testing.T, servers int, marks ...string) *company {
	t.Helper()
	program(t)
	c := &company{t: t, dir: t.TempDir(), seal: store.NewSeal()}
	var addresses []string
	for i := range servers {
		addresses = append(addresses, fmt.Sprintf("tls://127.0.0.%d:%d", i+1, freePort(t)))
	}
	c.addresses = strings.Join(addresses, ",")
	authority, err := ticket.WriteServers(c.dir, c.addresses, time.Now())
	require.NoError(t, err)
	for _, mark := range marks {
		c.yard(mark, authority)
	}
	rooms, err := ticket.Rooms(c.dir, c.addresses)
	require.NoError(t, err)
	cluster := freePort(t)
	for i, room := range rooms {
		// Three servers on one machine need an address each.
		name := filepath.Join(room, "nats.conf")
		text, err := os.ReadFile(name)
		require.NoError(t, err)
		is := strings.ReplaceAll(string(text), "0.0.0.0", fmt.Sprintf("127.0.0.%d", i+1))
		is = strings.ReplaceAll(is, ":6222", fmt.Sprintf(":%d", cluster))
		require.NoError(t, os.WriteFile(name, []byte(is), 0o600))
		s := &server{t: t, room: room}
		s.start()
		t.Cleanup(s.kill)
		c.servers = append(c.servers, s)
	}
	t.Cleanup(func() {
		if t.Failed() {
			for _, s := range c.servers[:min(1, len(c.servers)*len(os.Getenv("NATS_LOG")))] {
				text, _ := os.ReadFile(filepath.Join(s.room, "log"))
				t.Logf("%s:\n%s", s.room, text[max(0, len(text)-3000):])
			}
		}
	})
	c.yards[0].exchange() // makes the log
	for _, y := range c.yards[1:] {
		y.exchange()
	}
	return c
}

// yard lets a book in; the first is the office, and has a machine and a driver.
func (c *company) yard(mark, authority string) *yard {
	ctx := context.Background()
	y := &yard{t: c.t, mark: mark, path: filepath.Join(c.t.TempDir(), mark+".db")}
	y.open()
	c.t.Cleanup(func() { y.b.Close() })
	seed, public, err := ticket.Key()
	require.NoError(c.t, err)
	office := len(c.yards) == 0
	c.accounts = append(c.accounts, ticket.Account{Mark: mark, Public: public, Office: office})
	require.NoError(c.t, ticket.WriteAccounts(c.dir, c.addresses, c.accounts))
	h := &store.Hub{Addresses: c.addresses, Authority: authority, Seed: seed, Seal: c.seal, Mark: mark}
	if office {
		h.Directory = c.dir
		require.NoError(c.t, y.b.Found(ctx, mark, mark+" yard"))
		require.NoError(c.t, y.b.SetHub(ctx, h))
		for _, r := range []schema.Record{&schema.Machine{Name: "R1"}, &schema.Driver{Name: "Ada"}} {
			_, err := y.b.Record(ctx, r)
			require.NoError(c.t, err)
		}
	} else {
		first, err := c.yards[0].b.Hub(ctx)
		require.NoError(c.t, err)
		h.Company = first.Company
		require.NoError(c.t, y.b.JoinHub(ctx, h, mark+" yard"))
	}
	c.yards = append(c.yards, y)
	return y
}

func (y *yard) open() {
	b, err := store.Create(context.Background(), y.path, time.Now)
	require.NoError(y.t, err)
	y.b = b
}

// run records a run at an hour that no other has.
func (y *yard) run(hour int) int64 {
	y.t.Helper()
	number, err := y.b.Record(context.Background(), &schema.Run{Base: schema.Base{Machine: "R1",
		At: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(hour) * time.Hour)}, Driver: "Ada",
		Hours: schema.N(0.5)})
	require.NoError(y.t, err)
	return number
}

func (y *yard) exchanger() *Exchange {
	return &Exchange{Book: y.b, Took: func(*store.TookBundles) {}, Sent: func(n int64) { y.sent += n },
		Lost: func(err error) { y.t.Logf("%s: %v", y.mark, err) }, Again: func() {}}
}

// try exchanges, again for as long as a server needs to come up.
func (y *yard) try(within time.Duration) (err error) {
	for began := time.Now(); time.Since(began) < within; time.Sleep(50 * time.Millisecond) {
		ctx, stop := context.WithTimeout(context.Background(), 20*time.Second)
		err = y.exchanger().Once(ctx)
		stop()
		if err == nil {
			return nil
		}
	}
	return err
}

func (y *yard) exchange() {
	y.t.Helper()
	require.NoError(y.t, y.try(15*time.Second), y.mark)
}

// follow exchanges until the test ends or somebody stops it.
func (y *yard) follow() (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		y.exchanger().Follow(ctx)
	}()
	var once sync.Once
	stop = func() { once.Do(func() { cancel(); <-done }) }
	y.t.Cleanup(stop)
	return stop
}

// digest is of all runs that a book has.
func (y *yard) digest() string {
	h := sha256.New()
	var lines []string
	for l, err := range y.b.Logs(context.Background(), "R1") {
		require.NoError(y.t, err)
		for _, r := range l.Runs {
			lines = append(lines, fmt.Sprint(r.At, r.Driver, r.Hours))
		}
	}
	slices.Sort(lines)
	fmt.Fprint(h, lines)
	return fmt.Sprintf("%d runs, %x", len(lines), h.Sum(nil))
}

// equal waits until all books say the same, and so many runs.
func (c *company) equal(runs int, within time.Duration) {
	c.t.Helper()
	want := fmt.Sprintf("%d runs,", runs)
	require.Eventually(c.t, func() bool {
		first := c.yards[0].digest()
		for _, y := range c.yards[1:] {
			if y.digest() != first {
				return false
			}
		}
		return strings.HasPrefix(first, want)
	}, within, 50*time.Millisecond)
	for _, y := range c.yards {
		found, err := y.b.Verify(context.Background())
		require.NoError(c.t, err)
		for _, f := range found {
			require.Empty(c.t, f.Wrong, "%s: %s", y.mark, f.Check)
		}
		depots, err := y.b.Depots(context.Background())
		require.NoError(c.t, err)
		for _, d := range depots {
			require.Empty(c.t, d.Held, y.mark)
		}
	}
}

// messages are those of the log: one for each entry's bundle, none twice.
func (c *company) messages() int {
	c.t.Helper()
	ctx := context.Background()
	h, err := c.yards[0].b.Hub(ctx)
	require.NoError(c.t, err)
	r, err := Connect(ctx, h)
	require.NoError(c.t, err)
	defer r.Close()
	_, end, err := r.Made(ctx)
	require.NoError(c.t, err)
	next := map[string]int64{}
	for place := uint64(1); place <= end; place++ {
		a, err := r.At(ctx, place)
		require.NoError(c.t, err)
		tail, err := store.TailOf(place, a.Content)
		require.NoError(c.t, err)
		bundles, err := store.ReadBundles(a.Content)
		require.NoError(c.t, err)
		require.Equal(c.t, next[a.Book]+1, bundles[0].First, "message %d goes on where the one before ended", place)
		require.Equal(c.t, "aes-256-gcm", bundles[0].Seal)
		next[a.Book] = tail.Seq
	}
	for _, y := range c.yards {
		depots, err := y.b.Depots(ctx)
		require.NoError(c.t, err)
		for _, d := range depots {
			require.Equal(c.t, d.Entries, next[d.Book], "%s has of %s what the log has", y.mark, d.Mark)
		}
	}
	return int(end)
}

// Three books over one hub come to say the same, by exchanges one at a time, and each
// bundle is there once.
func TestThreeBooks(t *testing.T) {
	t.Parallel()
	c := begin(t, 1, "H", "N", "S")
	for i, y := range c.yards {
		for j := range 5 {
			y.run(10*i + j)
		}
	}
	for range 2 {
		for _, y := range c.yards {
			y.exchange()
		}
	}
	c.equal(15, time.Second)
	was := c.messages()
	require.Equal(t, 6, was, "one for what each began with, and one for its runs")
	for _, y := range c.yards {
		y.exchange()
	}
	require.Equal(t, was, c.messages(), "who has nothing to say sends nothing")
	b, err := c.yards[0].b.Depots(context.Background())
	require.NoError(t, err)
	require.Len(t, b, 3)
}

// Books that follow hear of each other, through a server that is killed, and one whose
// disk is lost: the office makes the log anew, and all is there again.
func TestServerKilledAndWiped(t *testing.T) {
	t.Parallel()
	c := begin(t, 1, "H", "N", "S")
	for _, y := range c.yards {
		y.follow()
	}
	c.yards[1].run(1)
	c.equal(1, 10*time.Second)
	c.servers[0].kill()
	c.yards[1].run(2)
	c.yards[2].run(3)
	c.servers[0].start()
	c.equal(3, 10*time.Second)
	c.servers[0].kill()
	c.servers[0].wipe()
	c.yards[2].run(4)
	c.servers[0].start()
	c.equal(4, 15*time.Second)
	require.Eventually(t, func() bool {
		senders, err := c.yards[0].b.Senders(context.Background())
		require.NoError(t, err)
		return len(senders) == 0
	}, 5*time.Second, 50*time.Millisecond)
	c.messages()
}

// Of three servers the leader is killed: the two others go on, and nobody does
// anything.
func TestLeaderKilled(t *testing.T) {
	t.Parallel()
	c := begin(t, 3, "H", "N")
	ctx := context.Background()
	h, err := c.yards[0].b.Hub(ctx)
	require.NoError(t, err)
	r, err := Connect(ctx, h)
	require.NoError(t, err)
	info, err := r.log.Info(ctx)
	require.NoError(t, err)
	require.Equal(t, 3, info.Config.Replicas)
	r.Close()
	for _, y := range c.yards {
		y.follow()
	}
	for _, s := range c.servers {
		if filepath.Base(s.room) == info.Cluster.Leader {
			s.kill()
		}
	}
	c.yards[1].run(1)
	c.yards[0].run(2)
	c.equal(2, 40*time.Second)
}

// link is a way to a server that is slow, cut or frozen.
type link struct {
	mu     sync.Mutex
	delay  time.Duration
	frozen bool
	open   []net.Conn
	bytes  int64
}

func (k *link) listen(t *testing.T, to string) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { l.Close(); k.cut() })
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				in.Close()
				continue
			}
			k.mu.Lock()
			k.open = append(k.open, in, out)
			k.mu.Unlock()
			go k.pass(in, out)
			go k.pass(out, in)
		}
	}()
	return l.Addr().String()
}

func (k *link) pass(from, to net.Conn) {
	type piece struct {
		at   time.Time
		data []byte
	}
	pieces := make(chan piece, 1000)
	go func() {
		defer to.Close()
		for p := range pieces {
			time.Sleep(time.Until(p.at))
			for k.isFrozen() {
				time.Sleep(20 * time.Millisecond)
			}
			if _, err := to.Write(p.data); err != nil {
				return
			}
		}
	}()
	defer close(pieces)
	buf := make([]byte, 64<<10)
	for {
		n, err := from.Read(buf)
		if err != nil {
			return
		}
		k.mu.Lock()
		k.bytes += int64(n)
		at := time.Now().Add(k.delay)
		k.mu.Unlock()
		select {
		case pieces <- piece{at, slices.Clone(buf[:n])}:
		case <-time.After(time.Minute):
			return
		}
	}
}

func (k *link) isFrozen() bool { k.mu.Lock(); defer k.mu.Unlock(); return k.frozen }

func (k *link) freeze(is bool) { k.mu.Lock(); defer k.mu.Unlock(); k.frozen = is }

func (k *link) cut() {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, c := range k.open {
		c.Close()
	}
	k.open = nil
}

// through lets a yard reach the hub over a link.
func (c *company) through(y *yard, k *link) {
	ctx := context.Background()
	h, err := y.b.Hub(ctx)
	require.NoError(c.t, err)
	h.Addresses = "tls://" + k.listen(c.t, strings.TrimPrefix(c.addresses, "tls://"))
	require.NoError(c.t, y.b.SetHub(ctx, h))
}

// A link of 30 ms that is cut, and later frozen, so that nothing is refused and nothing
// comes through: it goes on by itself.
func TestLinkCutAndFrozen(t *testing.T) {
	t.Parallel()
	c := begin(t, 1, "H", "N")
	k := &link{delay: 30 * time.Millisecond}
	c.through(c.yards[1], k)
	for _, y := range c.yards {
		y.follow()
	}
	c.yards[1].run(1)
	c.equal(1, 10*time.Second)
	k.cut()
	c.yards[1].run(2)
	c.yards[0].run(3)
	c.equal(3, 10*time.Second)
	k.freeze(true)
	c.yards[1].run(4)
	time.Sleep(time.Second)
	k.freeze(false)
	c.equal(4, 10*time.Second)
}

// A book's program is killed after the hub took its bundle and before it heard so: its
// bundle comes back to it, and is there once.
func TestKilledBeforeTheAnswer(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	c := begin(t, 1, "H", "N")
	n := c.yards[1]
	n.run(1)
	h, err := n.b.Hub(ctx)
	require.NoError(t, err)
	r, err := Connect(ctx, h)
	require.NoError(t, err)
	s := store.Sender{Mark: "N", Book: h.Book}
	tail, err := r.Last(ctx, s)
	require.NoError(t, err)
	p, err := n.b.NextParcel(ctx, s, tail)
	require.NoError(t, err)
	_, err = r.Append(ctx, p, tail)
	require.NoError(t, err)
	_, err = r.Append(ctx, p, tail) // and by whom else
	require.ErrorIs(t, err, errTaken)
	r.Close()
	n.b.Close()
	n.open()
	n.run(2)
	n.exchange()
	c.yards[0].exchange()
	c.equal(2, time.Second)
	require.Equal(t, 4, c.messages())
}

// The hub has a bundle that was never sealed by the company, and something that is no
// bundle: they are passed over, and what stands on them is held back.
func TestForged(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	c := begin(t, 1, "H", "N")
	n, office := c.yards[1], c.yards[0]
	h, err := n.b.Hub(ctx)
	require.NoError(t, err)
	r, err := Connect(ctx, h)
	require.NoError(t, err)
	defer r.Close()
	_, err = r.js.Publish(ctx, "log.N.FORGED", []byte("no bundle at all"))
	require.NoError(t, err)
	wrong := *h
	wrong.Seal = store.NewSeal()
	require.NoError(t, n.b.SetHub(ctx, &wrong))
	n.run(1)
	n.exchange() // sealed with another key
	office.exchange()
	is, err := office.b.Hub(ctx)
	require.NoError(t, err)
	require.Contains(t, is.Refused, "not sealed with this company's key")
	require.Contains(t, office.digest(), "0 runs")
	require.NoError(t, n.b.SetHub(ctx, h))
	n.run(2)
	n.exchange()
	office.exchange()
	depots, err := office.b.Depots(ctx)
	require.NoError(t, err)
	i := slices.IndexFunc(depots, func(d store.Depot) bool { return d.Mark == "N" })
	require.Len(t, depots[i].Held, 1, "what stands on what was passed over is held back")
}

// What a depot may not do at the hub is refused: write as another, delete or limit the
// log, listen in, make a log.
func TestRights(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	c := begin(t, 1, "H", "N", "S")
	c.yards[2].run(1)
	c.yards[2].exchange()
	end := c.messages()
	h, err := c.yards[1].b.Hub(ctx)
	require.NoError(t, err)
	r, err := Connect(ctx, h)
	require.NoError(t, err)
	defer r.Close()
	short := func() context.Context {
		ctx, stop := context.WithTimeout(ctx, 100*time.Millisecond)
		t.Cleanup(stop)
		return ctx
	}
	_, err = r.js.Publish(short(), "log.N.MINE", []byte("x"))
	require.NoError(t, err, "its own subject")
	end++
	for _, subject := range []string{"log.S.MINE", "log.H.MINE", "have.S"} {
		_, err = r.js.Publish(short(), subject, []byte("x"), jetstream.WithRetryAttempts(0))
		require.Error(t, err, subject)
	}
	for _, call := range []string{"STREAM.DELETE.LOG", "STREAM.PURGE.LOG", "STREAM.UPDATE.LOG", "STREAM.MSG.DELETE.LOG",
		"STREAM.CREATE.MINE", "STREAM.NAMES", "STREAM.SNAPSHOT.LOG", "CONSUMER.CREATE.HAVE.x", "CONSUMER.NAMES.LOG",
		"CONSUMER.DELETE.LOG.x", "CONSUMER.DURABLE.CREATE.LOG.x", "STREAM.LEADER.STEPDOWN.LOG"} {
		_, err = r.nc.RequestWithContext(short(), "$JS.API."+call, []byte(`{"name":"LOG","seq":1}`))
		require.Error(t, err, call)
	}
	for _, subject := range []string{"log.>", "_INBOX_S.>", "have.*", ">", "_INBOX.>"} {
		sub, err := r.nc.SubscribeSync(subject)
		require.NoError(t, err)
		require.NoError(t, r.nc.Flush())
		require.ErrorContains(t, r.nc.LastError(), fmt.Sprintf("%q", subject))
		_, err = sub.NextMsg(50 * time.Millisecond)
		require.Error(t, err, subject)
	}
	// A consumer that would deliver the log to where its maker may not write.
	_, err = r.js.Publish(ctx, "log.N.MINE", nil) // what those calls want is nothing
	require.NoError(t, err)
	end++
	for i, to := range []string{"log.S.MINE", "$JS.API.STREAM.DELETE.LOG", "$JS.API.STREAM.PURGE.LOG", "have.S",
		"_INBOX_S.x"} {
		ask, err := json.Marshal(map[string]any{"stream_name": "LOG", "config": map[string]any{"name": fmt.Sprint("x", i),
			"deliver_subject": to, "deliver_policy": "all", "ack_policy": "none", "replay_policy": "instant"}})
		require.NoError(t, err)
		// The server takes most of these, and delivers nothing to who does not listen.
		_, _ = r.nc.RequestWithContext(short(), fmt.Sprint("$JS.API.CONSUMER.CREATE.LOG.x", i), ask)
	}
	time.Sleep(300 * time.Millisecond)
	_, now, err := r.Made(ctx)
	require.NoError(t, err, "the log is still there")
	require.EqualValues(t, end, now)
	a, err := r.At(ctx, 1)
	require.NoError(t, err)
	require.NotNil(t, a)
	said, at, err := r.Said(ctx, "S")
	require.NoError(t, err)
	require.False(t, at.IsZero())
	require.Contains(t, string(said), `"book"`)
}

// A depot whose key was taken out is out at once, and can't come back.
func TestClosedDepot(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	c := begin(t, 1, "H", "N")
	h, err := c.yards[1].b.Hub(ctx)
	require.NoError(t, err)
	r, err := Connect(ctx, h)
	require.NoError(t, err)
	defer r.Close()
	require.NoError(t, ticket.WriteAccounts(c.dir, c.addresses, c.accounts[:1]))
	require.NoError(t, c.servers[0].cmd.Process.Signal(syscall.SIGHUP))
	select {
	case <-r.gone:
	case <-time.After(5 * time.Second):
		require.Fail(t, "it is still connected")
	}
	require.ErrorContains(t, c.yards[1].try(time.Millisecond), "Authorization Violation")
	c.yards[0].exchange()
}

// Two programs do not exchange for one book at once.
func TestOneExchangeAtATime(t *testing.T) {
	name := filepath.Join(t.TempDir(), "book")
	release, err := store.LockExchange(name)
	require.NoError(t, err)
	_, err = store.LockExchange(name)
	var own *store.Error
	require.ErrorAs(t, err, &own)
	require.Equal(t, store.Busy, own.Trouble)
	release()
	release, err = store.LockExchange(name)
	require.NoError(t, err)
	release()
}

// SHEDBOOK_HUB=1 measures: from a record to the other depot over a link of 30 ms, and
// the bytes of a run on the wire.
func TestMeasureHub(t *testing.T) {
	if os.Getenv("SHEDBOOK_HUB") == "" {
		t.Skip("SHEDBOOK_HUB=1 measures")
	}
	c := begin(t, 1, "H", "N")
	a, b := &link{delay: 15 * time.Millisecond}, &link{delay: 15 * time.Millisecond}
	c.through(c.yards[0], a)
	c.through(c.yards[1], b)
	c.yards[0].follow()
	stop := c.yards[1].follow()
	c.yards[1].run(0)
	c.equal(1, 10*time.Second)
	ctx := context.Background()
	var took []time.Duration
	was := b.bytes
	h, err := c.yards[1].b.Hub(ctx)
	require.NoError(t, err)
	for i := range 40 {
		began := time.Now()
		c.yards[1].run(i + 1)
		_, want, err := c.yards[1].b.Entered(ctx)
		require.NoError(t, err)
		for here := int64(0); here < want; time.Sleep(time.Millisecond) {
			depots, err := c.yards[0].b.Depots(ctx)
			require.NoError(t, err)
			for _, d := range depots {
				if d.Book == h.Book {
					here = d.Entries
				}
			}
		}
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	t.Logf("from record to the other depot: median %s, 95 of 100 %s; %d bytes a run, one by one", took[20], took[38],
		(b.bytes-was)/40)
	stop()
	for i := range 500 {
		c.yards[1].run(100 + i)
	}
	was = b.bytes
	c.yards[1].exchange()
	t.Logf("an exchange that sends 500 runs: %d bytes, %d a run", b.bytes-was, (b.bytes-was)/500)
	was = b.bytes
	began := time.Now()
	c.yards[1].exchange()
	t.Logf("one with nothing to send: %s, %d bytes, and it reads what it sent", time.Since(began), b.bytes-was)
	was, began = b.bytes, time.Now()
	c.yards[1].exchange()
	t.Logf("one with nothing at all: %s, %d bytes", time.Since(began), b.bytes-was)
}
