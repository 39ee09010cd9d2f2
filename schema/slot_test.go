package schema

import (
	"reflect"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Whoever adds a dated kind gives it a place in the log, and each place is one kind's: by reflection, so that a
// kind that was forgotten is found.
func TestEveryDatedKindHasItsPlaceInALog(t *testing.T) {
	var log Log
	whose := map[uintptr]string{}
	for _, k := range Kinds {
		in := k.In(&log)
		require.Equal(t, k.Dated || k.Name == "answer", in != nil,
			"%s has its place in a log: logged in Kinds, not describe", k.Name)
		if in == nil {
			continue
		}
		r := in.New()
		require.Equal(t, k, KindOf(r))
		at := reflect.ValueOf(in).Field(0).Pointer()
		require.Empty(t, whose[at], "%s has the place of %s", k.Name, whose[at])
		whose[at] = k.Name
	}
	v := reflect.ValueOf(&log).Elem()
	for i := range v.NumField() {
		if f := v.Field(i); f.Kind() == reflect.Slice {
			require.NotEmpty(t, whose[f.Addr().Pointer()], "%s is no kind's place", v.Type().Field(i).Name)
			require.Equal(t, 1, f.Len())
		}
	}
	require.Equal(t, len(whose), log.Len())
}

func TestALogIsCutAddedToAndSorted(t *testing.T) {
	day := func(d int) time.Time { return time.Date(2026, 3, d, 8, 0, 0, 0, time.UTC) }
	run := func(d int, number int64) *Run {
		return &Run{Base: Base{Meta: Meta{Number: number}, At: day(d)}, Hours: N(1)}
	}
	var log Log
	in := KindNamed("run").In(&log)
	for _, r := range []*Run{run(3, 5), run(1, 4), run(3, 2)} {
		in.Append(r)
	}
	in.Sort()
	numbers := func(l Log) (out []int64) {
		for r := range l.Records() {
			out = append(out, KindOf(r).Meta(r).Number)
		}
		return out
	}
	require.Equal(t, []int64{4, 2, 5}, numbers(log))
	log.Add(&Answer{Meta: Meta{Number: 9}, At: day(2)})
	log.Add(run(3, 1)) // behind those of the same time
	require.Equal(t, []int64{4, 2, 5, 1, 9}, numbers(log))
	require.Equal(t, []int64{4, 9}, numbers(log.AsOf(day(2))))
	require.Equal(t, []int64{4, 5, 1}, numbers(log.Without(func(n int64) bool { return n == 2 || n == 9 })))
	require.Equal(t, []int64{4, 2, 5, 1, 9}, numbers(log), "the log it was cut from stays as it is")
	require.Equal(t, day(1), log.Begin())
	require.Equal(t, day(3), log.End())
	copied := log.Copy()
	copied.Add(run(4, 7))
	require.Equal(t, 5, log.Len())
	require.True(t, (&Log{}).Begin().IsZero())
	require.Panics(t, func() { log.Add(&Driver{}) })
}
