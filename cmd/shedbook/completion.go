package main

import (
	"github.com/spf13/cobra"

	"shedbook/report/say"
)

func (a *app) completionVerb() *cobra.Command {
	shells := []string{"bash", "fish", "powershell", "zsh"}
	return &cobra.Command{
		Use: "completion SHELL", Short: "print a script that lets your shell complete verbs, names and words",
		GroupID: "book",
		Long: "Prints a script for your shell: bash, fish, powershell or zsh. With it, the tab key completes verbs, " +
			"options,\n" +
			"names of machines and drivers, and the words that a field accepts.",
		Example: "  in ~/.bashrc:                   source <(shedbook completion bash)\n" +
			"  in ~/.zshrc, after compinit:    source <(shedbook completion zsh)\n" +
			"  in ~/.config/fish/config.fish:  shedbook completion fish | source\n" +
			"  in PowerShell's $PROFILE:       shedbook completion powershell | Out-String | iex",
		Args: args(1, 1, "a shell: bash, fish, powershell or zsh"), ValidArgs: shells,
		RunE: func(cmd *cobra.Command, words []string) error {
			root := cmd.Root()
			switch words[0] {
			case "bash":
				return root.GenBashCompletionV2(a.out, true)
			case "fish":
				return root.GenFishCompletion(a.out, true)
			case "powershell":
				return root.GenPowerShellCompletionWithDesc(a.out)
			case "zsh":
				return root.GenZshCompletion(a.out)
			}
			return usage("", "no script for %s: there is one for %s", words[0], say.List(shells, "and"))
		},
	}
}
