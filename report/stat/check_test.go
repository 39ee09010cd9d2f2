package stat

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

// outside is one case of testdata/check/statistics.json, where each expected
// value stands beside its source and tolerance.
type outside struct {
	ID        string
	Data      json.RawMessage
	Expected  json.RawMessage
	Tolerance struct{ Rel, Abs float64 }
	want      map[string]any
}

// number reads a number of the file; "Inf", "-Inf" and "NaN" are strings there.
func number(s string) (x float64, err error) {
	_, err = fmt.Sscan(s, &x)
	return x, err
}

func loadCase(t testing.TB, id string) *outside {
	t.Helper()
	b, err := os.ReadFile("../../testdata/check/statistics.json")
	require.NoError(t, err)
	var cases []*outside
	require.NoError(t, json.Unmarshal(b, &cases))
	for _, c := range cases {
		if c.ID == id {
			require.NoError(t, json.Unmarshal(c.Expected, &c.want))
			return c
		}
	}
	t.Fatalf("no case %q", id)
	return nil
}

// data decodes the case's data into v, which a pointer to a map or struct is.
func (c *outside) data(t testing.TB, v any) {
	t.Helper()
	require.NoError(t, json.Unmarshal(c.Data, v), "data of %s", c.ID)
}

// at walks the expected values: names and list indices.
func (c *outside) at(t testing.TB, path ...any) any {
	t.Helper()
	var v any = c.want
	for _, p := range path {
		switch key := p.(type) {
		case string:
			m, ok := v.(map[string]any)
			require.True(t, ok, "%s: %v is no object", c.ID, path)
			v, ok = m[key]
			require.True(t, ok, "%s: no %v", c.ID, path)
		case int:
			v = v.([]any)[key]
		}
	}
	return v
}

func (c *outside) f(t testing.TB, path ...any) float64 {
	t.Helper()
	return asFloat(t, c.at(t, path...))
}

func asFloat(t testing.TB, v any) float64 {
	t.Helper()
	switch x := v.(type) {
	case float64:
		return x
	case string:
		f, err := number(x)
		require.NoError(t, err)
		return f
	}
	t.Fatalf("%v is no number", v)
	return 0
}

// same asserts got to the tolerance that the case states.
func (c *outside) same(t testing.TB, got float64, path ...any) {
	t.Helper()
	c.close(t, got, c.f(t, path...), fmt.Sprint(path...))
}

func (c *outside) close(t testing.TB, got, want float64, name string) {
	t.Helper()
	if math.IsInf(want, 0) {
		require.Equal(t, want, got, "%s %s", c.ID, name)
		return
	}
	limit := c.Tolerance.Abs + c.Tolerance.Rel*math.Abs(want)
	if !(math.Abs(got-want) <= limit) {
		t.Errorf("%s %s: got %.15g, want %.15g, off by %.3g of %.3g allowed", c.ID, name, got, want, got-want, limit)
	}
}
