package main

import (
	"slices"
	"strings"

	"github.com/spf13/cobra"
)

// verbs are all the verbs; each stands in a file of its name.
func (a *app) verbs() []verb {
	return append(a.kindVerbs(), []verb{
		{"log", a.logVerb}, {"machine", a.machineVerb}, {"driver", a.driverVerb}, {"word", a.wordVerb},
		{"correct", a.correctVerb}, {"void", a.voidVerb}, {"undo", a.undoVerb}, {"set", a.setVerb},
		{"spec", a.specVerb},
		{"list", a.listVerb}, {"find", a.findVerb}, {"timeline", a.timelineVerb}, {"show", a.showVerb},
		{"demo", a.demoVerb}, {"new", a.newVerb}, {"import", a.importVerb}, {"export", a.exportVerb},
		{"attach", a.attachVerb}, {"detach", a.detachVerb}, {"photo", a.photoVerb}, {"handover", a.handoverVerb},
		{"backup", a.backupVerb}, {"restore", a.restoreVerb}, {"verify", a.verifyVerb},
		{"answer", a.answerVerb}, {"plan", a.planVerb}, {"release", a.releaseVerb}, {"out", a.outVerb},
		{"back", a.backVerb}, {"stickers", a.stickersVerb},
		{"fleet", a.fleetVerb}, {"flags", a.flagsVerb}, {"next", a.nextVerb}, {"held", a.heldVerb},
		{"rates", a.ratesVerb}, {"coolant", a.coolantVerb}, {"cleaning", a.cleaningVerb},
		{"recurrence", a.recurrenceVerb}, {"due", a.dueVerb},
		{"doubts", a.doubtsVerb}, {"history", a.historyVerb}, {"cautions", a.cautionsVerb}, {"light", a.lightVerb},
		{"serve", a.serveVerb}, {"phone", a.phoneVerb}, {"completion", a.completionVerb},
		{"depot", a.depotVerb}, {"exchange", a.exchangeVerb},
	}...)
}

// formerly are verbs that were called otherwise: the old names are understood, and
// not listed.
var formerly = map[string]string{"init": "new", "amend": "correct"}

// todays puts today's name in the place of a verb's former one.
func todays(args []string) []string {
	for i := 0; i < len(args); i++ {
		switch {
		case args[i] == "--book":
			i++
		case !strings.HasPrefix(args[i], "-"):
			if now, ok := formerly[args[i]]; ok {
				args = slices.Clone(args)
				args[i] = now
			}
			return args
		}
	}
	return args
}

// verb is a verb's name and what makes it.
type verb struct {
	name string
	make func() *cobra.Command
}

// pick makes the verb that the words begin with; where they begin with none,
// all, for whoever lists, completes or puts right. To make them all takes longer
// than what most of them do.
func pick(words []string, verbs []verb) []*cobra.Command {
	var out []*cobra.Command
	for _, v := range verbs {
		if len(words) > 0 && words[0] == v.name {
			return []*cobra.Command{v.make()}
		}
	}
	for _, v := range verbs {
		out = append(out, v.make())
	}
	return out
}

// under picks among the verbs under another. Where the verbs are only listed,
// none of those under them is.
func (a *app) under(name string, verbs []verb) []*cobra.Command {
	switch {
	case len(a.words) > 0 && a.words[0] == name:
		return pick(a.words[1:], verbs)
	case len(a.words) == 0, len(a.words) == 1 && (a.words[0] == "--help" || a.words[0] == "-h"):
		return nil
	}
	return pick(nil, verbs)
}
