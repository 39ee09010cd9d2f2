package render

import (
	"shedbook/report/say"
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
		out = append(out, say.Several(g.about[s], 12)+between+s)
	}
	return out
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
