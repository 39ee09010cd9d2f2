package render

import (
	"shedbook/report/say"
	"time"
)

// grouped collects what is said about several machines, so that a sentence that
// is true of ten of them is printed once, in the order in which sentences were
// first added.
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

// lines returns the sentences, each with the names it is about.
func (g *grouped) lines(between string) []string {
	var out []string
	for _, s := range g.says {
		out = append(out, say.Several(g.about[s], 12)+between+s)
	}
	return out
}

func asOf(t time.Time, o Options) string { return "As of " + o.moment(t) + "." }

// deref returns the text, or "" for nil.
func deref(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

// when returns the time, or the zero time for nil.
func when(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return *t
}
