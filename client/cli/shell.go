package cli

import (
	"context"
	"os"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// shells are those that words can be completed in.
var shells = []string{"bash", "zsh", "fish"}

func (a *app) completionCommand(root *cobra.Command) *cobra.Command {
	cmd := a.command(verb{
		use: "completion SHELL", short: "Print what completes words in bash, zsh or fish",
		long: `Print a script that lets a shell complete commands, flags and the ids of bays,
tools, jobs, procedures and technicians, which it asks the server for. Where the
server does not answer, nothing is offered.`,
		example: `  bayhold completion bash > ~/.local/share/bash-completion/completions/bayhold
  bayhold completion zsh > ~/.zfunc/_bayhold
  bayhold completion fish > ~/.config/fish/completions/bayhold.fish`,
		args: cobra.ExactArgs(1),
		run: func(_ context.Context, args []string) error {
			switch args[0] {
			case "bash":
				return root.GenBashCompletionV2(a.streams.Out, true)
			case "zsh":
				return root.GenZshCompletion(a.streams.Out)
			case "fish":
				return root.GenFishCompletion(a.streams.Out, true)
			}
			return usage("%q is no shell that is known; it can be bash, zsh or fish", args[0])
		},
	})
	cmd.ValidArgsFunction = cobra.FixedCompletions(shells, cobra.ShellCompDirectiveNoFileComp)
	return cmd
}

func (a *app) manCommand(root *cobra.Command) *cobra.Command {
	return a.command(verb{
		use: "man DIRECTORY", short: "Write manual pages, one a command",
		long: `Write manual pages into a directory, one a command: bayhold.1,
bayhold-job-find.1 and so on. Made where MANPATH leads, "man bayhold-job-find"
shows them.`,
		example: "  bayhold man ~/.local/share/man/man1",
		args:    cobra.ExactArgs(1),
		run: func(_ context.Context, args []string) error {
			if err := os.MkdirAll(args[0], 0o755); err != nil {
				return fileProblem("make", args[0], err)
			}
			root.DisableAutoGenTag = true // the same program makes the same pages
			date := time.Unix(0, 0).UTC()
			err := doc.GenManTree(root, &doc.GenManHeader{Section: "1", Source: "bayhold", Manual: "bayhold", Date: &date}, args[0])
			if err != nil {
				return fileProblem("write", args[0], err)
			}
			return nil
		},
	})
}
