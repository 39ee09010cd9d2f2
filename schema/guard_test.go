package schema

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

// Cells that begin with = + - @, a tab or a carriage return are formulas to spreadsheet programs (OWASP, "CSV
// Injection"); the wide forms of the four signs are too where the program's language is an East Asian one (from
// memory).
func TestGuard(t *testing.T) {
	for in, want := range map[string]string{
		"=1+1": "'=1+1", "+49 30 1234": "'+49 30 1234", "-5 from the mark": "'-5 from the mark", "@home": "'@home",
		"\t=1": "'\t=1", "\r=1": "'\r=1", "＝1": "'＝1", "＋1": "'＋1", "－1": "'－1", "＠x": "'＠x", "'＝1": "''＝1",
		"'=1+1": "''=1+1", "''@x": "'''@x", "'tis": "'tis", "''": "''", "'": "'", "": "", "mud": "mud", "a=b": "a=b",
		"R4": "R4", "1-1": "1-1", " =1": " =1", "éa": "éa", "\xef": "\xef", "'\xff": "'\xff",
	} {
		assert.Equal(t, want, Guard(in))
		assert.Equal(t, in, Unguard(want))
	}
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringOf(rapid.SampledFrom([]rune("'=+-@\t\r＝＋－＠#abé"))).Draw(t, "s")
		g := Guard(s)
		if Unguard(g) != s || g != "" && strings.ContainsRune(formulaSigns, []rune(g)[0]) {
			t.Fatalf("%q is written %q and read %q", s, g, Unguard(g))
		}
	})
}
