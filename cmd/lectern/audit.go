package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"lectern/pipeline/report"
	"lectern/watcher"
)

func newAuditCmd() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "audit [DIR]",
		Short: "Prove that nothing in a workspace is missing or changed",
		Long: `Audit reads every recording in the archive and every finished file of the workspace
DIR (this folder if none is given) to its last byte and compares it with what its
recipe or report tells. It says what is missing, changed, half done or does not
belong, and what to do. It changes nothing, and may run while lectern watches.
It ends with 0 if all is well, 3 if there is something to look at, 1 if a folder
could not be looked into.`,
		Args: oneWorkspace("audit"),
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "write JSON")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		ws, _, err := openWorkspace(dirOf(args), nil)
		if err != nil {
			return err
		}
		a, err := ws.Audit(cmd.Context())
		if err != nil {
			return fmt.Errorf("audit: %w", err)
		}
		if asJSON {
			err = writeJSON(cmd, a)
		} else {
			printAudit(newShow(cmd.OutOrStdout()), a)
		}
		if err == nil && !a.Clean {
			return &exitError{code: exitAttention}
		}
		return err
	}
	return cmd
}

func printAudit(show *show, a watcher.Audit) {
	for _, r := range a.Exceptions {
		show.line("! %s: %s.", r.Name, r.Says)
	}
	for _, r := range a.Notes {
		show.line("  %s: %s.", r.Name, r.Says)
	}
	n := a.LookedAt
	verdict := "All is where it belongs and as it was"
	if !a.Clean {
		verdict = fmt.Sprintf("%d to look at", len(a.Exceptions))
	}
	files := "with their files"
	if n.Finished == 1 {
		files = "with its file"
	}
	recordings := counted(n.Raws, "recording")
	if n.Shelved > 0 {
		recordings += fmt.Sprintf(" and %d shelved", n.Shelved)
	}
	show.line("%s: %s, %s, %s %s, %s in work; %.1f GB read.", verdict, recordings,
		counted(n.Recipes, "recipe"), counted(n.Finished, "report"), files, counted(n.Jobs, "job"), float64(n.Bytes)/1e9)
}

// counted is a number of things in words.
func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// oneWorkspace allows one workspace, or none for this folder.
func oneWorkspace(command string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) > 1 {
			return wrongUsage("%s takes one workspace; got %d", command, len(args))
		}
		return nil
	}
}

func dirOf(args []string) string {
	if len(args) == 1 {
		return args[0]
	}
	return "."
}

func writeJSON(cmd *cobra.Command, v any) error {
	text, err := report.Marshal(v)
	if err == nil {
		_, err = cmd.OutOrStdout().Write(text)
	}
	return err
}
