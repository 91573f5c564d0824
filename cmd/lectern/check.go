package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"lectern/config"
	"lectern/pipeline"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
	"lectern/watcher"
)

func newCheckCmd() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "check [--json] FILE|FOLDER...",
		Short: "Measure WAV and MP3 files, or all in a folder, against the limits",
		Long: `Check measures WAV and MP3 files with the meters that Lectern judges its own work
by, and tells which limits they keep. A folder stands for all WAV and MP3 files in
it, earlier revisions and clips left out. Inside a workspace the limits are those of
its lectern.toml, elsewhere the usual ones; --set changes one.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return wrongUsage(`check needs a file or a folder, as in: lectern check "03 The Ferry.mp3"`)
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document instead of a table")
	set := settingsFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		settings, err := settingsAround(args[0])
		if err != nil {
			return err
		}
		if err := config.Set(&settings, *set...); err != nil {
			return err
		}
		paths, err := audioFiles(args)
		if err != nil {
			return err
		}
		return checkAll(cmd.Context(), cmd.OutOrStdout(), paths, settings.Delivery, asJSON)
	}
	return cmd
}

// settingsAround returns the settings of the workspace a path lies in, or the
// defaults.
func settingsAround(path string) (config.Settings, error) {
	dir, err := filepath.Abs(path)
	if err != nil {
		return config.Settings{}, fmt.Errorf("find settings: %w", err)
	}
	for {
		file := filepath.Join(dir, watcher.SettingsFile)
		if _, err := os.Stat(file); err == nil {
			return config.Load(file)
		}
		up := filepath.Dir(dir)
		if up == dir {
			return config.Default(), nil
		}
		dir = up
	}
}

// audioFiles lists the files named and those in the folders named, by their
// endings; a file that is named is taken whatever its ending.
func audioFiles(args []string) ([]string, error) {
	var out []string
	for _, arg := range args {
		st, err := os.Stat(arg)
		if err != nil {
			return nil, fmt.Errorf("look for what to check: %w", err)
		}
		if !st.IsDir() {
			out = append(out, arg)
			continue
		}
		err = filepath.WalkDir(arg, func(path string, e fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			if e.IsDir() && (e.Name() == "superseded" || e.Name() == "listen") && path != arg {
				return filepath.SkipDir // earlier revisions and clips are judged by nobody
			}
			switch strings.ToLower(filepath.Ext(path)) {
			case ".wav", ".mp3":
				if e.Type().IsRegular() && !strings.HasPrefix(e.Name(), ".") {
					out = append(out, path)
				}
			}
			return nil
		})
		if err != nil {
			return nil, fmt.Errorf("look through folder: %w", err)
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("there is no WAV or MP3 file in %s", strings.Join(args, ", "))
	}
	return out, nil
}

// checkAll measures the files one after the other and prints the answer.
func checkAll(ctx context.Context, w io.Writer, paths []string, d config.Delivery, asJSON bool) error {
	var files []*report.Checked
	var unreadable []string
	for _, path := range paths {
		c, err := pipeline.Check(ctx, path, d)
		var raw *pipeline.RawError
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.As(err, &raw):
			unreadable = append(unreadable, fmt.Sprintf("%s: %s", path, raw.Says))
		case err != nil:
			unreadable = append(unreadable, fmt.Sprintf("%s: %v", path, err))
		default:
			c.Name = path
			files = append(files, c)
		}
	}
	if asJSON {
		if err := printJSON(w, files, unreadable); err != nil {
			return err
		}
	} else {
		printTable(w, files, unreadable)
	}
	if len(unreadable) > 0 {
		return &exitError{code: exitFailed}
	}
	for _, c := range files {
		if c.Verdict != report.Pass {
			return &exitError{code: exitAttention}
		}
	}
	return nil
}

func printJSON(w io.Writer, files []*report.Checked, unreadable []string) error {
	doc := struct {
		Files      []*report.Checked `json:"files"`
		Unreadable []string          `json:"unreadable"`
		JudgedBy   string            `json:"judged_by"`
	}{files, unreadable, report.JudgedBy}
	if doc.Files == nil {
		doc.Files = []*report.Checked{}
	}
	if doc.Unreadable == nil {
		doc.Unreadable = []string{}
	}
	text, err := report.Marshal(doc)
	if err != nil {
		return err
	}
	_, err = w.Write(text)
	return err
}

// printTable prints one line of answer, the figures, and what there is to do.
func printTable(w io.Writer, files []*report.Checked, unreadable []string) {
	var todo []string
	for _, line := range unreadable {
		todo = append(todo, "could not be read: "+watcher.Plain(line))
	}
	for _, c := range files {
		for _, line := range c.ToDo() {
			todo = append(todo, shown(c)+": "+line)
		}
	}
	switch n := len(files) + len(unreadable); {
	case len(todo) > 0 && len(todo) == 1:
		fmt.Fprintf(w, "One thing to do:\n")
	case len(todo) > 0:
		fmt.Fprintf(w, "%d things to do:\n", len(todo))
	case n == 1:
		fmt.Fprintf(w, "The file is within the limits.\n")
	default:
		fmt.Fprintf(w, "All %d pieces are within the limits.\n", n)
	}
	for _, line := range todo {
		fmt.Fprintf(w, "  - %s\n", line)
	}
	printAlsoHeard(w, files)
	if len(files) > 0 {
		fmt.Fprintln(w)
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "file\tlength\tpeak\tRMS\tnoise floor\troom tone\thead\ttail\tformat\tframes\tverdict")
		for _, c := range files {
			m := c.Measured
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", shown(c), report.Clock(float64(m.DurationS)),
				db(m.SamplePeakDBFS), db(m.RMSDBFS), db(m.NoiseFloorDBFS), db(m.RoomToneDBFS),
				secondsOrNone(m.HeadS), secondsOrNone(m.TailS), c.Format.Says, frames(c.Format), c.Verdict)
		}
		t.Flush()
		fmt.Fprintln(w, "\nLevels in dB below the loudest a file can hold; head and tail in seconds.")
	}
	fmt.Fprintln(w, report.JudgedBy)
}

// shown is the name of a file as it may stand in a line.
func shown(c *report.Checked) string { return watcher.Plain(filepath.Base(c.Name)) }

// frames is how many frames of sound an MP3 really holds; a WAV has none.
func frames(f report.Format) string {
	if f.Codec != "MP3" {
		return "-"
	}
	return strconv.FormatInt(f.Frames, 10)
}

// printAlsoHeard prints what is good to know and asks for nothing.
func printAlsoHeard(w io.Writer, files []*report.Checked) {
	first := true
	for _, c := range files {
		for _, line := range c.AlsoHeard() {
			if first {
				fmt.Fprintln(w, "\nAlso heard:")
				first = false
			}
			fmt.Fprintf(w, "  - %s: %s\n", shown(c), line)
		}
	}
}

func db(v meter.DB) string {
	if v.IsSilent() {
		return "-"
	}
	return fmt.Sprintf("%.2f", float64(v))
}

func secondsOrNone(s *report.Seconds) string {
	if s == nil {
		return "-"
	}
	return fmt.Sprintf("%.2f", float64(*s))
}
