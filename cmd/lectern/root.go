package main

import (
	"context"
	"errors"
	"strings"

	"github.com/spf13/cobra"
)

// run carries out one command line. An error that arises before the command
// itself begins, such as an unknown flag, is one of usage.
func run(ctx context.Context, args []string) error {
	if alone := calledAlone(); alone && len(args) == 0 {
		args = []string{"start"} // a double-click
	}
	begun := false
	root := newRootCmd()
	root.PersistentPreRun = func(*cobra.Command, []string) { begun = true }
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	var own *exitError
	if err != nil && !begun && !errors.As(err, &own) {
		return wrongUsage("%w; lectern --help tells what there is", err)
	}
	return err
}

func newRootCmd() *cobra.Command {
	root := &cobra.Command{
		Use:   "lectern COMMAND",
		Short: "Master raw readings into finished audiobook chapters",
		Long: `Lectern masters raw readings into finished audiobook chapters.

Drop a WAV recording into the inbox of a workspace. Lectern trims it to quiet
room before the first and after the last word, evens its loudness, makes the
MP3, measures that MP3 against your client's limits and files it with a report.
Your recording is kept, untouched, in the archive.

It ends with 0 if all is well, 1 if it could not do it, 2 if the command or the
settings are wrong, and 3 if it is done but something needs your attention.`,
		Version:       versionText(),
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cmd.Help()
			}
			if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
				return wrongUsage("there is no command %q; did you mean %s?", args[0], strings.Join(near, " or "))
			}
			return wrongUsage("there is no command %q; lectern --help tells what there is", args[0])
		},
		CompletionOptions:          cobra.CompletionOptions{HiddenDefaultCmd: true},
		DisableFlagsInUseLine:      true,
		SuggestionsMinimumDistance: 2,
	}
	root.SetVersionTemplate("lectern {{.Version}}\n")
	root.SetUsageTemplate(usageTemplate)
	root.AddCommand(systemCmds()...)
	root.AddCommand(
		newStartCmd(),
		newInitCmd(),
		newProbeCmd(),
		newWatchCmd(),
		newMasterCmd(),
		newCheckCmd(),
		newStatusCmd(),
		newRetryCmd(),
		newAuditCmd(),
		newRemakeCmd(),
		newCutCmd(),
		newKeepCmd(),
		newRenameCmd(),
		newWithdrawCmd(),
		newReportCmd(),
		newHandoverCmd(),
		newShelveCmd(),
		newDemoCmd(),
	)
	root.AddCommand(packagersCmds()...)
	return root
}

// settingsFlag adds the flag --set, which changes one setting for this run.
// Hand what it collects to config.Set.
func settingsFlag(cmd *cobra.Command) *[]string {
	return cmd.Flags().StringArray("set", nil, setUsage)
}

const setUsage = "change a setting for this run, as in --set delivery.head_s=0.7; may be given several times"

// workspaceFlag adds the flag --workspace, for commands whose arguments name a
// chapter and not the workspace.
func workspaceFlag(cmd *cobra.Command) *string {
	return cmd.Flags().String("workspace", ".", "the workspace; this folder if none is given")
}

const usageTemplate = `Usage:
  {{.UseLine}}
{{- if .HasAvailableSubCommands}}

Commands:
{{- range .Commands}}{{if .IsAvailableCommand}}
  {{rpad .Name .NamePadding}} {{.Short}}{{end}}{{end}}

lectern COMMAND --help tells more about one of them.
{{- end}}
{{- if .HasAvailableLocalFlags}}

Options:
{{.LocalFlags.FlagUsages | trimTrailingWhitespaces}}
{{- end}}
`
