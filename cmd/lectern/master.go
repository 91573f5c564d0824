package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"lectern/config"
	"lectern/pipeline"
	"lectern/pipeline/book"
	"lectern/pipeline/report"
	"lectern/pipeline/takes"
	"lectern/watcher"
)

func newMasterCmd() *cobra.Command {
	var to string
	var replace, plan, list bool
	cmd := &cobra.Command{
		Use:   "master [--to DIR] RAW...",
		Short: "Master raw recordings once, without a workspace",
		Long: `Master makes a finished MP3 and its report of each chapter among the WAV files
given, beside the recording or in the folder of --to. Takes or parts of one chapter
("03 The Ferry part 1.wav", "03 The Ferry part 2.wav") given together make one file.
A recording named "room test" or "mic test" is measured instead: the answer is
printed, and written as a text with its report.
With --plan nothing is made: it is told where takes would be joined, what would be cut,
and what seems to be read twice. With --list not even that: it prints a line for each
chapter, its name and its recordings parted by tabs.
The recordings are only read. A finished file that is there already is left alone,
unless --replace is given.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return wrongUsage(`master needs at least one recording, as in: lectern master "03 The Ferry.wav"`)
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "the folder to write into (default: beside the recording)")
	cmd.Flags().BoolVar(&replace, "replace", false, "replace finished files that are there already")
	cmd.Flags().BoolVar(&plan, "plan", false, "only tell what would be joined and cut")
	cmd.Flags().BoolVar(&list, "list", false, "only list the chapters and their recordings, parted by tabs")
	set := settingsFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if plan && list {
			return wrongUsage("--plan and --list ask two different things; give one of them")
		}
		settings := config.Default()
		if err := config.Set(&settings, *set...); err != nil {
			return err
		}
		if to != "" {
			if st, err := os.Stat(to); err != nil || !st.IsDir() {
				return wrongUsage("%q is no folder to write into; make it first", to)
			}
		}
		pieces := groupRaws(takes.NewNames(settings.Names), args, to)
		if list {
			return listPieces(cmd.OutOrStdout(), pieces)
		}
		show := newShow(cmd.OutOrStdout())
		worst := 0
		for _, p := range pieces {
			var code int
			if plan {
				code = planOne(cmd.Context(), p, settings.Chapter, show)
			} else {
				code = masterOne(cmd.Context(), p, settings.Chapter, replace, show)
			}
			if cmd.Context().Err() != nil {
				show.line("stopped; nothing half made was left behind")
				return &exitError{code: exitFailed}
			}
			// Not done is worse than done with something to attend to.
			if code == exitFailed || worst == 0 {
				worst = code
			}
		}
		if worst != 0 {
			return &exitError{code: worst}
		}
		return nil
	}
	return cmd
}

// piece is one finished file to make.
type piece struct {
	dir, chapter string
	raws         []pipeline.Raw
}

// groupRaws puts the takes, parts and pickups of one chapter together, in playing order.
func groupRaws(names takes.Names, paths []string, to string) []piece {
	var out []piece
	index := map[string]int{}
	for _, path := range paths {
		n := names.Parse(filepath.Base(path))
		dir := to
		if dir == "" {
			dir = filepath.Dir(path)
		}
		key := dir + "\x00" + watcher.Fold(n.Chapter)
		if n.Role == takes.RoomTest {
			key = "room test\x00" + path // each stands alone
		}
		i, known := index[key]
		if !known {
			i = len(out)
			index[key] = i
			out = append(out, piece{dir: dir, chapter: n.Chapter})
		}
		out[i].raws = append(out[i].raws, pipeline.Raw{
			Path: path, Name: filepath.Base(path), Role: n.Role, Number: n.Number, AtS: n.AtS,
		})
	}
	for _, p := range out {
		slices.SortStableFunc(p.raws, func(a, b pipeline.Raw) int {
			return cmp.Or(pickupsLast(a)-pickupsLast(b), a.Number-b.Number)
		})
	}
	return out
}

func pickupsLast(r pipeline.Raw) int {
	if r.Role == takes.Pickup {
		return 1
	}
	return 0
}

// masterOne makes one file and tells how it went; it returns what to end with.
func masterOne(ctx context.Context, p piece, settings config.Chapter, replace bool, show *show) int {
	if p.raws[0].Role == takes.RoomTest {
		return measureOne(ctx, p, settings, replace, show)
	}
	started := time.Now()
	r, err := makePiece(ctx, p, settings, replace, show)
	if err != nil {
		return notMade(ctx, p, err, show)
	}
	show.line("%s: mastered in %.1f s, %s", p.chapter, time.Since(started).Seconds(), r.Summary())
	for _, todo := range r.ToDo() {
		show.line("  - %s", todo)
	}
	if r.Verdict != report.Pass {
		return exitAttention
	}
	return 0
}

// notMade tells why there is nothing.
func notMade(ctx context.Context, p piece, err error, show *show) int {
	var raw *pipeline.RawError
	switch {
	case ctx.Err() != nil:
	case errors.As(err, &raw):
		show.line("%s: %s", p.chapter, raw.Says)
	default:
		show.line("%s: could not be made: %v", p.chapter, err)
	}
	return exitFailed
}

// makePiece masters in a folder of its own beside the result, so that nothing
// half made ever carries a final name.
func makePiece(ctx context.Context, p piece, settings config.Chapter, replace bool, show *show) (*report.Report, error) {
	mp3 := filepath.Join(p.dir, p.chapter+".mp3")
	text := filepath.Join(p.dir, p.chapter+".json")
	tmp, err := workBeside(p.dir, []string{mp3, text}, replace)
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(tmp)
	bar := show.bar(p.chapter)
	m, err := pipeline.Make(ctx, pipeline.Job{
		Chapter: p.chapter, Tags: book.Tags(p.chapter, nil, "", config.About{}), Dir: tmp, Raws: p.raws,
		Settings: settings, Version: versionText(), Progress: bar.set,
	})
	bar.end()
	if err != nil {
		return nil, err
	}
	r := m.Report(1, time.Now(), nil)
	data, err := report.Marshal(r)
	if err != nil {
		return nil, err
	}
	half := filepath.Join(tmp, "report.json")
	if err := writeNew(half, data); err != nil {
		return nil, fmt.Errorf("write report: %w", err)
	}
	if err := put(m.MP3, mp3, replace); err != nil {
		return nil, err
	}
	return r, put(half, text, replace)
}

// workBeside makes a folder to work in. Without replace none of the files to make
// may be there.
func workBeside(dir string, files []string, replace bool) (string, error) {
	if !replace {
		for _, path := range files {
			if _, err := os.Lstat(path); err == nil {
				return "", fmt.Errorf("%s is there already; move it away, or give --replace", path)
			}
		}
	}
	tmp, err := os.MkdirTemp(dir, ".lectern-")
	if err != nil {
		return "", fmt.Errorf("make a folder to work in: %w", err)
	}
	return tmp, nil
}

// put gives a file its final name. Without replace it never takes the place of
// one that appeared meanwhile: a link fails where a rename would overwrite.
func put(from, to string, replace bool) error {
	if !replace {
		err := os.Link(from, to)
		if err == nil {
			return os.Remove(from)
		}
		if errors.Is(err, fs.ErrExist) {
			return fmt.Errorf("%s appeared while it was being made, and was left alone", to)
		}
		// Some file systems have no links; there the check before must do.
	}
	if err := os.Rename(from, to); err != nil {
		return fmt.Errorf("give the finished file its name: %w", err)
	}
	return nil
}
