package main

import "github.com/spf13/cobra"

// verbs are all the verbs; each stands in a file of its name.
func (a *app) verbs() []verb {
	return append(a.kindVerbs(), []verb{
		{"log", a.logVerb}, {"machine", a.machineVerb}, {"driver", a.driverVerb}, {"word", a.wordVerb}, {"amend", a.amendVerb}, {"void", a.voidVerb}, {"undo", a.undoVerb}, {"set", a.setVerb}, {"spec", a.specVerb},
		{"list", a.listVerb}, {"find", a.findVerb}, {"timeline", a.timelineVerb}, {"show", a.showVerb},
		{"demo", a.demoVerb}, {"init", a.initVerb}, {"import", a.importVerb}, {"export", a.exportVerb},
		{"attach", a.attachVerb}, {"detach", a.detachVerb}, {"photo", a.photoVerb}, {"handover", a.handoverVerb}, {"backup", a.backupVerb}, {"restore", a.restoreVerb}, {"verify", a.verifyVerb},
		{"answer", a.answerVerb}, {"plan", a.planVerb}, {"release", a.releaseVerb},
		{"fleet", a.fleetVerb}, {"flags", a.flagsVerb}, {"next", a.nextVerb}, {"rates", a.ratesVerb}, {"coolant", a.coolantVerb}, {"cleaning", a.cleaningVerb}, {"recurrence", a.recurrenceVerb}, {"due", a.dueVerb},
		{"doubts", a.doubtsVerb}, {"history", a.historyVerb}, {"cautions", a.cautionsVerb}, {"light", a.lightVerb},
	}...)
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
