// Package hub exchanges a book's bundles with those of other depots, over a log that
// NATS JetStream keeps. Nothing there is believed: a book checks what it reads, and
// sends again what the log has lost.
package hub

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"

	"shedbook/store"
)

// The log has a subject for each book, log.<depot>.<book id>; beside it stands what
// each depot says of itself, have.<depot>.
const (
	logName  = "LOG"
	haveName = "HAVE"
)

const (
	// patience is how long an answer may take. Three servers that lost their leader never
	// answer what was asked meanwhile, so to ask again soon is better than to wait.
	patience = 3 * time.Second
	// connecting may take longer, over a slow link.
	connecting = 10 * time.Second
	// slowest is a link, in bytes a second, over which a bundle may yet be sent.
	slowest = 4 << 10
)

// Relay is a connection to the hub.
type Relay struct {
	nc   *nats.Conn
	js   jetstream.JetStream
	log  jetstream.Stream
	have jetstream.Stream
	gone chan error // the connection has ended
}

// errNoLog: the servers are there, and have no log yet.
var errNoLog = errors.New("the hub has no log yet: the office makes it (shedbook exchange there)")

// Connect connects a book to its hub. The connection does not mend itself: whoever
// makes a new one looks whether the log is still the one that it was.
func Connect(ctx context.Context, h *store.Hub) (*Relay, error) {
	pair, err := nkeys.FromSeed([]byte(h.Seed))
	if err != nil {
		return nil, fmt.Errorf("this book's key to the hub is damaged: %w", err)
	}
	public, err := pair.PublicKey()
	if err != nil {
		return nil, err
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM([]byte(h.Authority))
	r := &Relay{gone: make(chan error, 1)}
	r.nc, err = nats.Connect(h.Addresses, nats.Nkey(public, pair.Sign), nats.Name("depot "+h.Mark),
		nats.Secure(&tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS13}), nats.NoReconnect(),
		nats.CustomInboxPrefix("_INBOX_"+h.Mark), nats.Timeout(connecting), nats.PingInterval(10*time.Second),
		nats.MaxPingsOutstanding(2), nats.IgnoreDiscoveredServers(),
		nats.ClosedHandler(func(nc *nats.Conn) {
			select {
			case r.gone <- nc.LastError():
			default:
			}
		}),
		nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	if err != nil {
		return nil, err
	}
	if err := r.open(ctx, h); err != nil {
		r.nc.Close()
		return nil, err
	}
	return r, nil
}

func (r *Relay) open(ctx context.Context, h *store.Hub) (err error) {
	ctx, stop := context.WithTimeout(ctx, patience)
	defer stop()
	if r.js, err = jetstream.New(r.nc, jetstream.WithDefaultTimeout(patience)); err != nil {
		return err
	}
	find := func(name string) (jetstream.Stream, error) {
		s, err := r.js.Stream(ctx, name)
		if !errors.Is(err, jetstream.ErrStreamNotFound) {
			return s, err
		}
		if !h.Office() {
			return nil, errNoLog
		}
		return r.js.CreateStream(ctx, config(name, 1+2*min(1, strings.Count(h.Addresses, ","))))
	}
	if r.log, err = find(logName); err == nil {
		r.have, err = find(haveName)
	}
	return err
}

// config is how the streams are kept: the log for ever and unlimited, and of what a
// depot says of itself the last alone. Nothing relies on the window in which the
// server finds doubles, so it is as short as may be.
func config(name string, replicas int) jetstream.StreamConfig {
	c := jetstream.StreamConfig{Name: name, Storage: jetstream.FileStorage, Replicas: replicas, DenyDelete: true,
		AllowDirect: true, Duplicates: 100 * time.Millisecond}
	if name == logName {
		c.Subjects, c.DenyPurge = []string{"log.*.*"}, true
	} else {
		c.Subjects, c.MaxMsgsPerSubject = []string{"have.*"}, 1
	}
	return c
}

// Close ends the connection.
func (r *Relay) Close() { r.nc.Close() }

// Made is when the log was made, and how far it goes.
func (r *Relay) Made(ctx context.Context) (made int64, end uint64, err error) {
	ctx, stop := context.WithTimeout(ctx, patience)
	defer stop()
	info, err := r.log.Info(ctx)
	if err != nil {
		return 0, 0, err
	}
	return info.Created.UnixNano(), info.State.LastSeq, nil
}

// Last is the last bundle of a book that the log has.
func (r *Relay) Last(ctx context.Context, s store.Sender) (store.Tail, error) {
	ctx, stop := context.WithTimeout(ctx, patience)
	defer stop()
	m, err := r.log.GetLastMsgForSubject(ctx, subject(s))
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return store.Tail{}, nil
	} else if err != nil {
		return store.Tail{}, err
	}
	return store.TailOf(m.Sequence, m.Data)
}

func subject(s store.Sender) string { return "log." + s.Mark + "." + s.Book }

// errTaken: something else was appended meanwhile.
var errTaken = errors.New("the hub's log went on meanwhile")

// wrongLast is the server's code for an append behind something that is not the last.
const wrongLast = 10071

// Append puts a bundle behind the last one of its book, and nowhere else: so nothing is
// in the log twice, and two copies of a book can't both go on.
func (r *Relay) Append(ctx context.Context, p *store.Parcel, after store.Tail) (store.Tail, error) {
	ctx, stop := context.WithTimeout(ctx, patience+time.Duration(len(p.Content))*time.Second/slowest)
	defer stop()
	ack, err := r.js.Publish(ctx, subject(store.Sender{Mark: p.Mark, Book: p.Book}), p.Content,
		jetstream.WithExpectLastSequencePerSubject(after.Place), jetstream.WithRetryAttempts(0))
	var api *jetstream.APIError
	if errors.As(err, &api) && api.ErrorCode == wrongLast {
		return store.Tail{}, errTaken
	} else if err != nil {
		return store.Tail{}, err
	}
	is := p.Tail
	is.Place = ack.Sequence
	return is, nil
}

// At is what stands at a place of the log; nil where nothing does.
func (r *Relay) At(ctx context.Context, place uint64) (*store.Arrival, error) {
	ctx, stop := context.WithTimeout(ctx, patience)
	defer stop()
	m, err := r.log.GetMsg(ctx, place)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	return arrival(place, m.Subject, m.Data), nil
}

func arrival(place uint64, subject string, content []byte) *store.Arrival {
	parts := append(strings.Split(subject, "."), "", "")
	return &store.Arrival{Place: place, Mark: parts[1], Book: parts[2], Content: content}
}

// From reads the log from behind a place on, into a channel that is closed when the
// context ends or reading fails.
func (r *Relay) From(ctx context.Context, place uint64) (<-chan store.Arrival, error) {
	c, err := r.log.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{OptStartSeq: place + 1,
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, InactiveThreshold: time.Minute})
	if err != nil {
		return nil, err
	}
	// An idle connection should cost next to nothing.
	messages, err := c.Messages(jetstream.PullExpiry(5*time.Minute), jetstream.PullHeartbeat(30*time.Second),
		jetstream.PullMaxBytes(4<<20))
	if err != nil {
		return nil, err
	}
	out := make(chan store.Arrival, 256)
	context.AfterFunc(ctx, messages.Stop)
	go func() {
		defer close(out)
		for {
			m, err := messages.Next()
			if err != nil {
				return
			}
			meta, err := m.Metadata()
			if err != nil {
				return
			}
			select {
			case out <- *arrival(meta.Sequence.Stream, m.Subject(), m.Data()):
			case <-ctx.Done():
				return
			}
		}
	}()
	return out, nil
}

// Say tells the others how far this depot is.
func (r *Relay) Say(ctx context.Context, mark string, content []byte) error {
	ctx, stop := context.WithTimeout(ctx, patience)
	defer stop()
	_, err := r.js.Publish(ctx, "have."+mark, content)
	return err
}

// Said is what a depot said of itself last, and when by the hub's clock; no time where
// it said nothing.
func (r *Relay) Said(ctx context.Context, mark string) (content []byte, at time.Time, err error) {
	ctx, stop := context.WithTimeout(ctx, patience)
	defer stop()
	m, err := r.have.GetLastMsgForSubject(ctx, "have."+mark)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil, time.Time{}, nil
	} else if err != nil {
		return nil, time.Time{}, err
	}
	return m.Data, m.Time, nil
}

// Says says in plain words what keeps a book from its hub, and what to do; nothing where
// waiting may help.
func Says(err error) (says, try string) {
	var cert *tls.CertificateVerificationError
	switch {
	case errors.Is(err, nats.ErrAuthorization), errors.Is(err, nats.ErrAuthExpired):
		return "the hub does not know this depot's key", "ask the office for a new ticket"
	case errors.As(err, &cert):
		return "the hub is not the company's own: its certificate is signed by somebody else, or has run out",
			"ask the office"
	case errors.Is(err, nats.ErrNoServers), errors.Is(err, nats.ErrTimeout), errors.Is(err, context.DeadlineExceeded),
		errors.Is(err, nats.ErrConnectionClosed), errors.Is(err, errEnded), errors.Is(err, nats.ErrNoResponders):
		return "the hub can't be reached", ""
	}
	return "the hub can't be reached (" + err.Error() + ")", ""
}
