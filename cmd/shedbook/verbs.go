package main

import "github.com/spf13/cobra"

// verbs are all the verbs; each stands in a file of its name.
func (a *app) verbs() []*cobra.Command {
	return []*cobra.Command{
		a.logVerb(), a.machineVerb(), a.driverVerb(), a.wordVerb(), a.amendVerb(), a.voidVerb(), a.setVerb(), a.specVerb(),
		a.listVerb(), a.showVerb(),
		a.demoVerb(), a.initVerb(), a.importVerb(), a.exportVerb(),
		a.attachVerb(), a.detachVerb(), a.photoVerb(), a.handoverVerb(), a.backupVerb(), a.verifyVerb(),
		a.answerVerb(), a.planVerb(),
		a.fleetVerb(), a.flagsVerb(), a.nextVerb(), a.ratesVerb(), a.coolantVerb(), a.cleaningVerb(), a.recurrenceVerb(), a.dueVerb(),
		a.doubtsVerb(), a.historyVerb(), a.cautionsVerb(), a.lightVerb(),
	}
}
