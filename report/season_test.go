package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// loadSheets reads the good rows of a directory of sheets, each row once. It
// is as small as the season's mess allows; the book's own reader is store's.
func loadSheets(t testing.TB, dir string, settings schema.Settings) schema.Fleet {
	t.Helper()
	f := schema.Fleet{Settings: settings}
	known := schema.NewKnown(nil, nil, nil, settings.Zone())
	logs := map[string]*schema.Log{}
	var names []string
	for _, k := range schema.Kinds {
		raw, err := os.ReadFile(filepath.Join(dir, k.Sheet+".csv"))
		if os.IsNotExist(err) {
			continue
		}
		require.NoError(t, err)
		raw = bytes.TrimPrefix(raw, []byte("\ufeff"))
		r := csv.NewReader(bytes.NewReader(raw))
		r.FieldsPerRecord = -1
		if head, _, _ := bytes.Cut(raw, []byte("\n")); bytes.ContainsRune(head, ';') {
			r.Comma = ';'
		}
		rows, err := r.ReadAll()
		require.NoError(t, err)
		seen := map[string]bool{}
		for _, row := range rows[1:] {
			rec, good := k.New(), true
			for c, name := range rows[0] {
				if field := k.Field(name); c < len(row) {
					good = good && k.Set(rec, field, row[c], known, time.Time{}) == nil
				}
			}
			good = good && k.Check(rec) == nil
			ref := k.Text(rec, "ref")
			if !good || ref != "" && seen[ref] {
				continue
			}
			seen[ref] = true
			switch v := rec.(type) {
			case *schema.Machine:
				known.AddMachine(v.Name)
				names = append(names, v.Name)
				logs[v.Name] = &schema.Log{Machine: *v}
			case *schema.Driver:
				known.AddDriver(v.Name)
				f.Drivers = append(f.Drivers, *v)
			case *schema.Plan:
				f.Plans = append(f.Plans, *v)
			case *schema.Run:
				logs[v.Machine].Runs = append(logs[v.Machine].Runs, *v)
			case *schema.TopUp:
				logs[v.Machine].TopUps = append(logs[v.Machine].TopUps, *v)
			case *schema.Refill:
				logs[v.Machine].Refills = append(logs[v.Machine].Refills, *v)
			case *schema.Bleed:
				logs[v.Machine].Bleeds = append(logs[v.Machine].Bleeds, *v)
			case *schema.Level:
				logs[v.Machine].Levels = append(logs[v.Machine].Levels, *v)
			case *schema.Cleaning:
				logs[v.Machine].Cleanings = append(logs[v.Machine].Cleanings, *v)
			case *schema.Overheat:
				logs[v.Machine].Overheats = append(logs[v.Machine].Overheats, *v)
			case *schema.Service:
				logs[v.Machine].Services = append(logs[v.Machine].Services, *v)
			}
		}
	}
	slices.Sort(names)
	for _, n := range names {
		l := logs[n]
		inOrder(l)
		f.Logs = append(f.Logs, *l)
	}
	return f
}

// inOrder puts a log in time order.
func inOrder(l *schema.Log) {
	slices.SortStableFunc(l.Runs, func(a, b schema.Run) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(l.TopUps, func(a, b schema.TopUp) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(l.Refills, func(a, b schema.Refill) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(l.Bleeds, func(a, b schema.Bleed) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(l.Levels, func(a, b schema.Level) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(l.Cleanings, func(a, b schema.Cleaning) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(l.Overheats, func(a, b schema.Overheat) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(l.Services, func(a, b schema.Service) int { return a.At.Compare(b.At) })
}

// season is the yard's season whose figures expected.json gives.
func season(t *testing.T) (schema.Fleet, time.Time) {
	asOf, err := time.Parse(time.RFC3339, "2025-10-04T00:00:00+02:00") // expected.json
	require.NoError(t, err)
	return loadSheets(t, "../testdata/season", schema.Settings{"time-zone": "UTC+2"}), asOf
}

func TestSeasonFiguresEqualTheExpected(t *testing.T) {
	f, asOf := season(t)
	var want struct {
		Machines map[string]struct {
			Runs           int
			Hours          float64
			MudHours       float64    `json:"mud_hours"`
			ToppedUp       float64    `json:"topped_up_ml"`
			LastAny        *time.Time `json:"last_any_clean"`
			LastThorough   *time.Time `json:"last_thorough_clean"`
			SinceAny       float64    `json:"hours_since_any"`
			SinceThorough  float64    `json:"hours_since_thorough"`
			MudSince       float64    `json:"mud_hours_since_thorough"`
			Overheats      int
			OverheatsSince int `json:"overheats_since_thorough"`
		}
	}
	readJSON(t, "../testdata/season/expected.json", &want)
	require.Len(t, f.Logs, len(want.Machines))
	coolant, cleaning := Coolant(Of(f, asOf)), Cleaning(Of(f, asOf))
	i := 0
	for l := range Of(f, asOf).Lives {
		w, c := want.Machines[l.Log.Machine.Name], cleaning.Machines[i]
		name := l.Log.Machine.Name
		require.Equal(t, w.Runs, len(l.Log.Runs), name)
		require.InDelta(t, w.Hours, l.Hours, 0.051, name) // printed to a tenth
		require.InDelta(t, w.MudHours, l.Mud, 0.051, name)
		require.InDelta(t, w.ToppedUp, coolant.Machines[i].ToppedUpMl, 1e-9, name)
		same := func(a, b *time.Time) bool { return a == nil && b == nil || a != nil && b != nil && a.Equal(*b) }
		require.True(t, same(w.LastAny, c.LastAny), name)
		require.True(t, same(w.LastThorough, c.LastThorough), name)
		require.InDelta(t, w.SinceAny, c.HoursSinceAny, 0.051, name)
		require.InDelta(t, w.SinceThorough, c.HoursSinceThorough, 0.051, name)
		require.InDelta(t, w.MudSince, c.MudHoursSinceThorough, 0.051, name)
		require.Equal(t, w.Overheats, len(l.Overheats), name)
		require.Equal(t, w.OverheatsSince, c.OverheatsSinceThorough, name)
		i++
	}
}

// All reports on the season must be printable as JSON: no NaN, no infinity.
func TestSeasonReportsAreJSON(t *testing.T) {
	f, asOf := season(t)
	s := func() Source { return Of(f, asOf) }
	clean := Cleaning(s())
	history, ok := History(s(), "R6", nil, false)
	require.True(t, ok)
	for name, r := range map[string]any{"coolant": Coolant(s()), "cleaning": clean, "fleet": Fleet(s(), nil),
		"doubts": Doubts(s()),
		"due":    DueWork(s(), &clean), "history": history, "recurrence": Recurrence(s(), "")} {
		b, err := json.MarshalIndent(r, "", " ")
		require.NoError(t, err, name)
		if os.Getenv("SHOW") == name {
			t.Logf("%s", b)
		}
		for _, d := range f.Drivers {
			if name == "history" {
				require.NotContains(t, string(b), d.Name)
			}
		}
	}
}

func readFile(t *testing.T, path string) []byte {
	t.Helper()
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	return raw
}
