package main

import (
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"lectern/config"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
	"lectern/watcher"
)

// demoRaw is an invented raw take: synthesized speech reading our own text,
// with all that goes wrong at home. testdata/demo makes it.
//
//go:embed "demo/03 The Ferry.wav"
var demoRaw []byte

const (
	demoBook    = "A Ledger of Small Tides"
	demoChapter = "03 The Ferry"
	// demoCopy is how long the recording takes to arrive, so that one sees it waited for.
	demoCopy = 3 * time.Second
	// demoQuiet replaces the 5 s a recording must be quiet, to keep the demo short.
	demoQuiet = time.Second
	// demoLimit is the longest the demo may take before it gives up.
	demoLimit = 5 * time.Minute
)

func newDemoCmd() *cobra.Command {
	var keep string
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Show the whole job on an invented recording",
		Long: `Demo makes a workspace in a new temporary folder, copies an invented recording
into its inbox as slowly as a real copy would come, runs the daemon on it, and
shows what came out.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return demo(cmd.Context(), cmd.OutOrStdout(), keep)
		},
	}
	cmd.Flags().StringVar(&keep, "keep", "", "make the workspace in this folder and keep it")
	return cmd
}

func demo(ctx context.Context, w io.Writer, keep string) error {
	root := keep
	if root == "" {
		tmp, err := os.MkdirTemp("", "lectern-demo-")
		if err != nil {
			return fmt.Errorf("make a folder for the demo: %w", err)
		}
		root = tmp
	}
	if made, err := makeWorkspace(root); err != nil {
		return err
	} else if !made {
		return wrongUsage("%s is a workspace already; the demo wants a new folder", root)
	}
	ws, settings, err := openWorkspace(root, nil)
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "Made a workspace in %s\n", root)
	if err := runDemo(ctx, w, ws, settings); err != nil {
		return err
	}
	return showDemo(w, ws)
}

// runDemo drops the recording and runs the daemon until its chapter is done.
func runDemo(ctx context.Context, w io.Writer, ws *watcher.Workspace, settings config.Settings) error {
	ctx, stop := context.WithTimeout(ctx, demoLimit)
	defer stop()
	done := make(chan watcher.Event, 1)
	set := watchSettings(settings.Watch)
	set.Quiet = demoQuiet
	set.Notice = func(e watcher.Event) {
		switch e.Kind {
		case watcher.Waiting:
			fmt.Fprintf(w, "  %s: %s\n", e.Raws[0], e.Says)
		case watcher.Claimed:
			fmt.Fprintf(w, "  %s: complete and quiet, work begins\n", e.Chapter)
		case watcher.Finished, watcher.SetAside:
			select {
			case done <- e:
			default:
			}
		}
	}
	h := newHands(ws, settings, nil, zap.NewNop())
	ended := make(chan error, 1)
	go func() { ended <- watchAndKeep(ctx, newLibrary(ws, h, zap.NewNop()), set) }()

	fmt.Fprintf(w, "Dropping %q into the inbox of %q, slowly\n", demoChapter+".wav", demoBook)
	if err := dropSlowly(ctx, filepath.Join(ws.Inbox, demoBook, demoChapter+".wav")); err != nil {
		stop()
		return errors.Join(err, <-ended)
	}
	select {
	case e := <-done:
		stop()
		if err := <-ended; err != nil {
			return err
		}
		if e.Kind == watcher.SetAside {
			return fmt.Errorf("the demo's recording was set aside: %s", e.Says)
		}
		fmt.Fprintf(w, "  %s: mastered in %.1f s, %s\n", e.Chapter, e.Took.Seconds(), e.Says)
		return nil
	case err := <-ended:
		return errors.Join(errors.New("the daemon stopped before the chapter was done"), err)
	}
}

// dropSlowly writes the recording piece by piece.
func dropSlowly(ctx context.Context, path string) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return fmt.Errorf("make book folder: %w", err)
	}
	f, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("drop recording: %w", err)
	}
	const pieces = 20
	for i := range pieces {
		part := demoRaw[i*len(demoRaw)/pieces : (i+1)*len(demoRaw)/pieces]
		if _, err := f.Write(part); err != nil {
			return errors.Join(fmt.Errorf("drop recording: %w", err), f.Close())
		}
		select {
		case <-time.After(demoCopy / pieces):
		case <-ctx.Done():
			return errors.Join(ctx.Err(), f.Close())
		}
	}
	return f.Close()
}

// showDemo prints what the report says, before and after.
func showDemo(w io.Writer, ws *watcher.Workspace) error {
	mp3 := filepath.Join(ws.Finished, demoBook, demoChapter+".mp3")
	text, err := os.ReadFile(filepath.Join(ws.Finished, demoBook, demoChapter+".json"))
	if err != nil {
		return fmt.Errorf("read the report: %w", err)
	}
	var r report.Report
	if err := json.Unmarshal(text, &r); err != nil {
		return fmt.Errorf("read the report: %w", err)
	}
	raw, end := r.Raws[0].Measured, r.Finished.Measured
	fmt.Fprintln(w)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "\tbefore\tafter\twanted")
	row := func(name string, a, b meter.DB, wanted string) {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", name, db(a), db(b), wanted)
	}
	d := r.Recipe.Settings.Delivery
	row("loudest moment, dB", raw.SamplePeakDBFS, end.SamplePeakDBFS, fmt.Sprintf("at most %.1f", d.PeakMaxDBFS))
	row("average level (RMS), dB", raw.RMSDBFS, end.RMSDBFS, fmt.Sprintf("%g to %g", d.RMSMinDBFS, d.RMSMaxDBFS))
	row("noise floor, dB", raw.NoiseFloorDBFS, end.NoiseFloorDBFS, fmt.Sprintf("at most %g", d.NoiseMaxDBFS))
	row("room tone, dB", raw.RoomToneDBFS, end.RoomToneDBFS, fmt.Sprintf("at most %g", d.NoiseMaxDBFS))
	fmt.Fprintf(t, "phrases differ by, dB\t%.1f\t%.1f\t-\n", float64(raw.PhraseSpreadDB), float64(end.PhraseSpreadDB))
	fmt.Fprintf(t, "before the first word, s\t%s\t%s\t%g\n", secondsOrNone(raw.HeadS), secondsOrNone(end.HeadS), d.HeadS)
	fmt.Fprintf(t, "after the last word, s\t%s\t%s\t%g\n", secondsOrNone(raw.TailS), secondsOrNone(end.TailS), d.TailS)
	fmt.Fprintf(t, "format\t%s\t%s\tMP3 %d kbps constant, mono\n", r.Raws[0].Format, r.Finished.Format.Says, d.BitrateKbps)
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(w, `
Finished:   %s
Report:     %s
Recording:  %s, untouched
The book:   %s, to open in a browser
`, mp3, filepath.Join(ws.Finished, demoBook, demoChapter+".json"),
		filepath.Join(ws.Archive, demoBook, r.Raws[0].ArchivedAs), filepath.Join(ws.Finished, demoBook, "index.html"))
	if r.Verdict != report.Pass {
		return &exitError{exitAttention, fmt.Errorf("the chapter needs attention: %s", r.Summary())}
	}
	return nil
}
