package render

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shedbook/report"
	"shedbook/report/coolant"
	"shedbook/report/flags"
	"shedbook/report/next"
)

// everyReport prints each report from its sample, and from a result with
// nothing in it.
var everyReport = []struct {
	name          string
	sample, empty func(w io.Writer, o Options) error
}{
	{"coolant", func(w io.Writer, o Options) error { return Coolant(w, sampleCoolant(), o) },
		func(w io.Writer, o Options) error { return Coolant(w, report.CoolantReport{AsOf: noon}, o) }},
	{"coolant-one", func(w io.Writer, o Options) error {
		r := sampleCoolant()
		r.Machines = r.Machines[:1]
		return Coolant(w, r, o)
	}, func(w io.Writer, o Options) error {
		return Coolant(w, report.CoolantReport{AsOf: noon,
			Machines: []coolant.Machine{{Machine: "R9", Why: ptr("no mark is recorded")}}}, o)
	}},
	{"cleaning", func(w io.Writer, o Options) error { return Cleaning(w, sampleCleaning(), o) },
		func(w io.Writer, o Options) error { return Cleaning(w, report.CleaningReport{AsOf: noon}, o) }},
	{"rates", func(w io.Writer, o Options) error { return Rates(w, sampleRates(), o) },
		func(w io.Writer, o Options) error {
			return Rates(w, report.RatesReport{AsOf: noon, By: "terrain", Against: "rest"}, o)
		}},
	{"due", func(w io.Writer, o Options) error { return Due(w, sampleDue(), o) },
		func(w io.Writer, o Options) error { return Due(w, report.DueReport{AsOf: noon}, o) }},
	{"doubts", func(w io.Writer, o Options) error { return Doubts(w, sampleDoubts(), o) },
		func(w io.Writer, o Options) error { return Doubts(w, report.DoubtsReport{AsOf: noon}, o) }},
	{"flags", func(w io.Writer, o Options) error { return Flags(w, sampleFlags(), o) },
		func(w io.Writer, o Options) error { return Flags(w, flags.Result{AsOf: noon}, o) }},
	{"flags-of", func(w io.Writer, o Options) error { return FlagsOf(w, sampleFlags(), "R4", o) },
		func(w io.Writer, o Options) error { return FlagsOf(w, flags.Result{AsOf: noon}, "R4", o) }},
	{"fleet", func(w io.Writer, o Options) error { r, _ := sampleFleet(); return Fleet(w, r, o) },
		func(w io.Writer, o Options) error { return Fleet(w, report.FleetReport{AsOf: noon}, o) }},
	{"recurrence", func(w io.Writer, o Options) error { return Recurrence(w, sampleRecurrence(), o) },
		func(w io.Writer, o Options) error {
			return Recurrence(w, report.RecurrenceReport{AsOf: noon, Of: "overheats",
				Words: []string{"nothing to show for overheats: no machine"}}, o)
		}},
	{"history", func(w io.Writer, o Options) error { return History(w, sampleHistory(), Papers{Digest: "9f2c41"}, o) },
		func(w io.Writer, o Options) error {
			return History(w, report.HistoryReport{AsOf: noon, Machine: "R9",
				Unknown: []string{"nothing is recorded for this machine"}}, Papers{}, o)
		}},
	{"next-all", func(w io.Writer, o Options) error { return NextInFull(w, sampleNext(), o) },
		func(w io.Writer, o Options) error {
			return NextInFull(w, next.Result{Machine: "R4", AsOf: noon, Why: "the log shows no trouble"}, o)
		}},
	{"next", func(w io.Writer, o Options) error { return Next(w, sampleNext(), o) },
		func(w io.Writer, o Options) error {
			return Next(w, next.Result{Machine: "R4", AsOf: noon, Why: "the log shows no trouble"}, o)
		}},
}

func TestReportsOnTerminal(t *testing.T) {
	for _, r := range everyReport {
		t.Run(r.name, func(t *testing.T) {
			var b bytes.Buffer
			require.NoError(t, r.sample(&b, Options{}))
			golden(t, r.name+".txt", b.Bytes())
			for _, w := range []int{40, 60, 80, 100, 160} {
				var b bytes.Buffer
				require.NoError(t, r.sample(&b, Options{Width: w}))
				for _, line := range strings.Split(b.String(), "\n") {
					assert.LessOrEqual(t, width(line), w)
				}
			}
		})
	}
}

func TestReportsInEveryFormat(t *testing.T) {
	for _, r := range everyReport {
		t.Run(r.name, func(t *testing.T) {
			for _, do := range []func(io.Writer, Options) error{r.sample, r.empty} {
				for _, f := range []Format{Terminal, Plain, JSON, CSV, HTML} {
					var b bytes.Buffer
					require.NoError(t, do(&b, Options{Format: f}))
					out := b.String()
					assert.True(t, strings.HasSuffix(out, "\n"), "ends with a line break")
					for _, bad := range []string{"NaN", "Inf", "<nil>", "%!", "0001-01-01"} {
						assert.NotContains(t, out, bad)
					}
					switch f {
					case JSON:
						assert.True(t, json.Valid(b.Bytes()))
					case CSV:
						rows, err := csv.NewReader(&b).ReadAll()
						require.NoError(t, err)
						keys := map[string]bool{}
						for _, k := range rows[0] {
							assert.False(t, keys[k], "two columns are called %s", k)
							assert.Regexp(t, `^[a-z0-9_]+$`, k)
							keys[k] = true
						}
					}
				}
			}
			var b bytes.Buffer
			require.NoError(t, r.empty(&b, Options{}))
			if r.name != "history" { // which has a sentence a section
				assert.Less(t, strings.Count(b.String(), "\n"), 10, "nothing to show is a sentence or two")
			}
		})
	}
}
