package render

import (
	"fmt"
	"strings"
	"time"
)

// grouped gathers what is said of several machines, so that one sentence that
// holds for ten of them is printed once. They come in the order in which they
// were first said.
type grouped struct {
	says  []string
	about map[string][]string
}

func (g *grouped) add(who string, says ...string) {
	if g.about == nil {
		g.about = map[string][]string{}
	}
	for _, s := range says {
		if s == "" {
			continue
		}
		if _, ok := g.about[s]; !ok {
			g.says = append(g.says, s)
		}
		g.about[s] = append(g.about[s], who)
	}
}

// lines are the sentences, each with whom it is about.
func (g *grouped) lines(between string) []string {
	var out []string
	for _, s := range g.says {
		out = append(out, several(g.about[s], 12)+between+s)
	}
	return out
}

// several names up to n of a list and counts the rest.
func several(names []string, n int) string {
	if len(names) > n {
		return strings.Join(names[:n-1], ", ") + fmt.Sprintf(" and %d more", len(names)-n+1)
	}
	return strings.Join(names, ", ")
}

// plural is a count with its noun: "1 run", "3 runs".
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func asOf(t time.Time, o Options) string { return "As of " + o.moment(t) + "." }

// deref is a text that may be absent.
func deref(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

// when is a time that may be absent.
func when(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return *t
}

// sentence begins with a capital and ends with a full stop.
func sentence(s string) string {
	if s == "" {
		return ""
	}
	if c := s[0]; c >= 'a' && c <= 'z' {
		s = string(c-'a'+'A') + s[1:]
	}
	if !strings.ContainsAny(s[len(s)-1:], ".!?") {
		s += "."
	}
	return s
}
