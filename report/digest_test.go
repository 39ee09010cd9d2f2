package report

import (
	"crypto/sha256"
	"encoding/base32"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"shedbook/schema"
)

var march = time.Date(2026, 3, 1, 7, 30, 0, 0, time.UTC)

// sealedLog is a log with a record amended and one voided.
func sealedLog() (*schema.Log, []Earlier) {
	run := func(number int64, days int, driver, note string) schema.Run {
		return schema.Run{Base: schema.Base{Meta: schema.Meta{Number: number}, Machine: "R4",
			At: march.AddDate(0, 0, days)}, Driver: driver, Hours: schema.N(2.5), Note: note}
	}
	log := &schema.Log{
		Machine: schema.Machine{Meta: schema.Meta{Number: 1}, Name: "R4", Model: "Fell 8", Serial: "F8-417",
			CoolantL: schema.N(4.2)},
		Runs: []schema.Run{run(6, 0, "Ada Venn", ""), run(7, 2, "Ben Orrin", "Ada took it back")},
		Services: []schema.Service{{Head: schema.Head{Base: schema.Base{Meta: schema.Meta{Number: 9}, Machine: "R4",
			At: march.AddDate(0, 0, 5)}}, Work: "pump seal", By: "Ben Orrin"}},
		Answers: []schema.Answer{{Meta: schema.Meta{Number: 12}, Machine: "R4", At: march.AddDate(0, 0, 8),
			Flag: "steady-loss", Found: "seal", Service: schema.N(9)}},
	}
	was := run(6, 0, "Ben Orrin", "")
	gone := run(8, 3, "Cleo Marr", "typed twice")
	return log, []Earlier{
		{6, &was, "amended", march.AddDate(0, 0, 10), "Ada drove"},
		{8, &gone, "voided", march.AddDate(0, 0, 11), "typed twice"},
	}
}

var crew = []schema.Driver{{Name: "Ada Venn"}, {Name: "Ben Orrin"}, {Name: "Cleo Marr"}}

// The digest is what its definition says, worked by hand here: the objects are
// written out, hashed with the standard library's SHA-256, and put in base 32 by
// its encoder.
func TestDigestByItsDefinition(t *testing.T) {
	log, earlier := sealedLog()
	lines := []string{
		`digest 1`,
		`{"coolant_l":4.2,"kind":"machine","model":"Fell 8","serial":"F8-417"}`,
		`{"is":{"driver":"A","hours":2.5,"kind":"run","start":"2026-03-01T07:30:00Z"},"was":[["amended","2026-03-11T07:30:00Z","a driver drove",{"driver":"B","hours":2.5,"kind":"run","start":"2026-03-01T07:30:00Z"}]]}`,
		`{"is":{"driver":"B","hours":2.5,"kind":"run","note":"a driver took it back","start":"2026-03-03T07:30:00Z"}}`,
		`{"is":null,"was":[["voided","2026-03-12T07:30:00Z","typed twice",{"driver":"C","hours":2.5,"kind":"run","note":"typed twice","start":"2026-03-04T07:30:00Z"}]]}`,
		`{"is":{"at":"2026-03-06T07:30:00Z","by":"a driver","kind":"service","work":"pump seal"}}`,
		`{"is":{"at":"2026-03-09T07:30:00Z","flag":"steady-loss","found":"seal","kind":"answer","service":"2026-03-06T07:30:00Z"}}`,
	}
	seals := Seals(log, earlier, NewMasker(crew, log))
	require.Len(t, seals, 6)
	for i, s := range seals {
		sum := sha256.Sum256([]byte(strings.Join(lines[:2+i], "\n") + "\n"))
		text := base32.NewEncoding("0123456789ABCDEFGHJKMNPQRSTVWXYZ").EncodeToString(sum[:20])
		var groups []string
		for c := range slices.Chunk([]byte(text), 4) {
			groups = append(groups, string(c))
		}
		require.Equal(t, strings.Join(groups, "-"), s.Digest, lines[1+i])
		require.Equal(t, i, s.Records)
	}
	require.Equal(t, seals[5], Digest(log, earlier, NewMasker(crew, log), time.Time{}))
	require.Equal(t, seals[2], Digest(log, earlier, NewMasker(crew, log), march.AddDate(0, 0, 2)), "as of that moment")
	require.Equal(t, seals[0], Digest(log, earlier, NewMasker(crew, log), march.AddDate(0, 0, -1)))
}

// What is a book's own does not count: numbers, refs, the machine's name, the
// time zone, what was typed, where the machine went, whether drivers are named.
func TestDigestIsTheSameFromEveryBook(t *testing.T) {
	log, earlier := sealedLog()
	want := Digest(log, earlier, NewMasker(crew, log), time.Time{}).Digest

	other, past := sealedLog()
	east := time.FixedZone("", 2*3600)
	other.Machine.Name, other.Machine.Number, other.Machine.SoldTo, other.Machine.Retired = "Blue", 77, "a neighbour",
		march
	for i := range other.Runs {
		r := &other.Runs[i]
		r.Machine, r.At, r.Number, r.Ref, r.Versions, r.Typed = "Blue", r.At.In(east), r.Number+100,
			fmt.Sprint("row ", i), 3, map[string]string{"hours": "150 min"}
	}
	other.Services[0].Machine, other.Services[0].Number = "Blue", 109
	other.Answers[0].Machine, other.Answers[0].Number, other.Answers[0].Service = "Blue", 112, schema.N(109)
	for i := range past {
		past[i].Number += 100
		past[i].Record.(*schema.Run).Machine = "Blue"
		past[i].Replaced = past[i].Replaced.In(east)
	}
	require.Equal(t, want, Digest(other, past, NewMasker(crew, other), time.Time{}).Digest)

	// Handed over with letters: names are masked already, and nothing masks them
	// again. The buyer has drivers of his own.
	mask := NewMasker(crew, log)
	for i := range other.Runs {
		other.Runs[i].Driver, other.Runs[i].Note = mask.Driver(other.Runs[i].Driver), mask.Text(other.Runs[i].Note)
	}
	other.Services[0].By = mask.Text(other.Services[0].By)
	for i := range past {
		r := past[i].Record.(*schema.Run)
		r.Driver, r.Note, past[i].Why = mask.Driver(r.Driver), mask.Text(r.Note), mask.Text(past[i].Why)
	}
	require.NotContains(t, fmt.Sprint(other.Runs, other.Services, past[0].Why), "Ada")
	require.Equal(t, want, Digest(other, past, nil, time.Time{}).Digest)
	buyers := []schema.Driver{{Name: "Driver A"}, {Name: "Driver B"}, {Name: "Dora Pell"}}
	require.Equal(t, want, Digest(other, past, NewMasker(buyers, other), time.Time{}).Digest)
}

// Whatever is changed in a record, or in what it was, changes the digest.
func TestDigestTellsEveryChange(t *testing.T) {
	log, earlier := sealedLog()
	mask := NewMasker(crew, log)
	want := Digest(log, earlier, mask, time.Time{}).Digest
	for name, change := range map[string]func(l *schema.Log, e []Earlier) []Earlier{
		"hours": func(l *schema.Log,
			e []Earlier) []Earlier {
			l.Runs[1].Hours = schema.N(2.6)
			return e
		},
		"hours not recorded": func(l *schema.Log,
			e []Earlier) []Earlier {
			l.Runs[1].Hours = schema.Num{}
			return e
		},
		"a time": func(l *schema.Log,
			e []Earlier) []Earlier {
			l.Runs[1].At = l.Runs[1].At.Add(time.Second)
			return e
		},
		"a note":         func(l *schema.Log, e []Earlier) []Earlier { l.Runs[1].Note += "."; return e },
		"another driver": func(l *schema.Log, e []Earlier) []Earlier { l.Runs[1].Driver = "Ada Venn"; return e },
		"a run less":     func(l *schema.Log, e []Earlier) []Earlier { l.Runs = l.Runs[:1]; return e },
		"a run more": func(l *schema.Log, e []Earlier) []Earlier {
			l.Runs = append(l.Runs,
				l.Runs[1])
			return e
		},
		"the serial number":   func(l *schema.Log, e []Earlier) []Earlier { l.Machine.Serial = "F8-418"; return e },
		"no amendment":        func(l *schema.Log, e []Earlier) []Earlier { return e[1:] },
		"no voided record":    func(l *schema.Log, e []Earlier) []Earlier { return e[:1] },
		"why it was amended":  func(l *schema.Log, e []Earlier) []Earlier { e[0].Why = ""; return e },
		"when it was amended": func(l *schema.Log, e []Earlier) []Earlier { e[0].Replaced = march; return e },
		"what it was": func(l *schema.Log,
			e []Earlier) []Earlier {
			e[0].Record.(*schema.Run).Hours = schema.N(3)
			return e
		},
		"the service it led to": func(l *schema.Log,
			e []Earlier) []Earlier {
			l.Answers[0].Service = schema.N(6)
			return e
		},
		"a record of another": func(l *schema.Log,
			e []Earlier) []Earlier {
			e[0].Record.(*schema.Run).Machine = "Q2"
			return e
		},
	} {
		l, e := sealedLog()
		e = change(l, e)
		require.NotEqual(t, want, Digest(l, e, mask, time.Time{}).Digest, name)
	}
}

// The order in which records are handed over does not count.
func TestDigestIsOfTheRecordsNotTheirOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log := &schema.Log{Machine: schema.Machine{Name: "R4"}}
		n := rapid.IntRange(2, 12).Draw(t, "runs")
		for i := range n {
			log.Runs = append(log.Runs, schema.Run{Base: schema.Base{Meta: schema.Meta{Number: int64(i + 2)},
				Machine: "R4", At: march.Add(time.Duration(rapid.IntRange(0, 5).Draw(t, "hour")) * time.Hour)},
				Hours:  schema.N(float64(rapid.IntRange(1, 3).Draw(t, "hours"))),
				Driver: rapid.SampledFrom([]string{"", "Ada Venn", "Ben Orrin"}).Draw(t, "driver")})
		}
		want := Digest(log, nil, nil, time.Time{})
		log.Runs = rapid.Permutation(log.Runs).Draw(t, "order")
		require.Equal(t, want, Digest(log, nil, nil, time.Time{}))
	})
}

func TestFindDigests(t *testing.T) {
	const d = "MH0Q-B2T5-DKCC-GDW3-Y44K-4FA4-A955-F7W9"
	for paper, want := range map[string][]string{
		"Digest of the records: " + d + "\n":                                  {d},
		"<footer>Digest of the records: " + d + "</footer> and again " + d:    {d},
		"wrapped: MH0Q-B2T5-DKCC-GDW3-\n   Y44K-4FA4-A955-F7W9":               {d},
		"serial F8-00417, 2026-03-14, MH0Q-B2T5-DKCC-GDW3-Y44K-4FA4-A955":     nil,
		"with a letter that is none: MH0Q-B2T5-DKCC-GDW3-Y44K-4FA4-A955-F7WI": nil,
	} {
		require.Equal(t, want, FindDigests(paper), paper)
	}
}
