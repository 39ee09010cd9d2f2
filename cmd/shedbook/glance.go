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

// glance is the whole fleet at a glance. To see it every record is read, which
// on a very large fleet takes seconds; so it is kept, in the user's cache and
// not in the book (a look writes nothing there), for as long as nothing is
// written into the book.
type glance struct {
	Of    string // the book's state, and which program saw it
	AsOf  time.Time
	Rows  []report.FleetRow
	Flags flags.Result
}

// keepFrom is how long a glance must have taken to be worth keeping.
var keepFrom = 500 * time.Millisecond

// glance finds what was seen, or looks. What was kept lacks the curves of the
// machines that bear no flag.
func (l *look) glance() glance {
	file, of := l.keptAs()
	if g, err := readGlance(file); err == nil && of != "" && g.Of == of && !g.AsOf.After(l.at) {
		g.AsOf, g.Flags.AsOf = l.at, l.at
		return g
	}
	began := time.Now()
	g, lasts := l.everything()
	if g.Of = of; of != "" && lasts && time.Since(began) >= keepFrom {
		// Where it can't be kept it will be looked for again.
		if os.MkdirAll(filepath.Dir(file), 0o700) == nil {
			_ = toFile(file, func(w io.Writer) error { return json.NewEncoder(w).Encode(&g) })
		}
	}
	return g
}

// everything looks at every machine; lasts says that what is seen stays the
// same as of any later time.
func (l *look) everything() (g glance, lasts bool) {
	s := l.source()
	g.AsOf = l.at
	g.Flags = flags.FindIn(l.fleet, l.at, s.Index, func(yield func(*exposure.Life) bool) {
		for life := range s.Lives {
			g.Rows = append(g.Rows, s.FleetRow(life))
			if !yield(life) {
				return
			}
		}
	})
	return g, !s.Later.Load() && l.reading.get() == nil
}

// keptAs is the file for the book's glance, and what it is one of; "" where
// none is kept: as of a time named, the whole would be another.
func (l *look) keptAs() (file, of string) {
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
	return filepath.Join(cache, "shedbook", hex.EncodeToString(name[:8])+".glance"),
		fmt.Sprint(state, program, info.Size(), info.ModTime().UnixNano())
}

func readGlance(file string) (g glance, err error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return g, err
	}
	return g, json.Unmarshal(b, &g)
}
