package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"shedbook/report"
	"shedbook/report/exposure"
	"shedbook/report/flags"
)

// glance is the whole fleet at a glance.
type glance struct {
	Rows  []report.FleetRow
	Flags flags.Result
}

// everything looks at every machine.
func (l *look) everything(s report.Source) (g glance, err error) {
	g.Flags, _ = flags.FindIn(l.fleet, l.at, s.Index, func(yield func(*exposure.Life) bool) {
		for life := range s.Lives {
			g.Rows = append(g.Rows, s.FleetRow(life))
			if !yield(life) {
				return
			}
		}
	})
	return g, nil
}

// glance is everything, or what was kept of it, which lacks the curves of the
// machines that bear no flag.
func (l *look) glance() glance {
	g, _ := kept(l, "fleet", "", l.everything)
	g.Flags.AsOf = l.at
	return g
}

// keepFrom is how long a look must have taken to be worth keeping.
var keepFrom = 500 * time.Millisecond

// kept finds what was seen when the same question was last asked, or sees. To
// see a very large fleet every record is read, which takes seconds; so what was
// seen is kept, in the user's cache and not in the book (a look writes nothing
// there), for as long as nothing is written into the book. Of a verb's questions
// the last is kept. What is kept may have been seen at an earlier time.
func kept[T any](l *look, verb, question string, see func(report.Source) (T, error)) (T, error) {
	var k struct {
		Of   string // the book's state, which program saw it, and what was asked
		AsOf time.Time
		Seen T
	}
	file, of := l.keptAs(verb, question)
	if of != "" {
		b, err := os.ReadFile(file)
		if err == nil && json.Unmarshal(b, &k) == nil && k.Of == of && !k.AsOf.After(l.at) {
			return k.Seen, nil
		}
	}
	began := time.Now()
	if of != "" { // of a moment after that state, as all that is read from here on
		if err := l.read(l.ctx, l.book); err != nil {
			l.reading.set(err)
			return k.Seen, err
		}
	}
	s := l.source()
	seen, err := see(s)
	if of != "" && err == nil && !s.Later.Load() && l.reading.get() == nil && time.Since(began) >= keepFrom {
		if _, now := l.keptAs(verb, question); now != of { // else what was written meanwhile would be kept under the state before it
			return seen, nil
		}
		k.Of, k.AsOf, k.Seen = of, l.at, seen
		// Where it can't be kept it will be seen anew.
		if os.MkdirAll(filepath.Dir(file), 0o700) == nil {
			_ = toFile(file, func(w io.Writer) error { return json.NewEncoder(w).Encode(&k) })
		}
	}
	return seen, err
}

// keptAs is the file for what a verb saw, and what it is an answer to; "" where
// none is kept: as of a time named, the whole would be another.
func (l *look) keptAs(verb, question string) (file, of string) {
	cache, err := os.UserCacheDir()
	program, exeErr := os.Executable()
	if err != nil || exeErr != nil || l.asOf != "" {
		return "", ""
	}
	info, err := os.Stat(program)
	state := l.book.State()
	if err != nil || state == "" {
		return "", ""
	}
	name := sha256.Sum256([]byte(l.book.Path()))
	return filepath.Join(cache, "shedbook", hex.EncodeToString(name[:8])+"."+verb),
		fmt.Sprint(state, program, info.Size(), info.ModTime().UnixNano(), question)
}
