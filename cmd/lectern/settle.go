package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"lectern/pipeline/report"
	"lectern/pipeline/takes"
	"lectern/watcher"
)

func newCutCmd() *cobra.Command {
	return settleCmd(true, &cobra.Command{
		Use:   "cut NAME N...",
		Short: "Cut out the first reading of what was read twice",
		Long: `Cut settles what a report asks: a passage of the chapter NAME seems to be read twice,
and its first reading is to go. N is its number in the report; several may be given.
The chapter is made again as a new revision. The recording in the archive is not
touched, and lectern keep takes the answer back.
NAME is a chapter, or BOOK/CHAPTER where several books have one of that name.`,
	})
}

func newKeepCmd() *cobra.Command {
	return settleCmd(false, &cobra.Command{
		Use:   "keep NAME N...",
		Short: "Keep what seems to be read twice",
		Long: `Keep settles what a report asks: a passage of the chapter NAME seems to be read twice,
and both readings are meant to be there. N is its number in the report; several may
be given. The chapter is made again as a new revision. What was cut before, by
lectern cut or by your marks, comes back.
NAME is a chapter, or BOOK/CHAPTER where several books have one of that name.`,
	})
}

func settleCmd(cut bool, cmd *cobra.Command) *cobra.Command {
	cmd.Args = func(_ *cobra.Command, args []string) error {
		if len(args) < 2 {
			return wrongUsage(`%s needs a chapter and a number of its report, as in: lectern %[1]s "03 The Ferry" 1`, cmd.Name())
		}
		_, err := numbersOf(args[1:])
		return err
	}
	dir := workspaceFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		numbers, err := numbersOf(args[1:])
		if err != nil {
			return err
		}
		a, found, err := newAskerFor(cmd, *dir, args[0])
		if err != nil {
			return err
		}
		ask, err := a.askToSettle(found, numbers, cut)
		var refused *watcher.RefusedError
		if errors.As(err, &refused) {
			a.show.line("%s: %s", found.Chapter, refused.Says)
			return &exitError{code: exitFailed}
		}
		if err != nil {
			return err
		}
		return a.endWith(cmd.Context(), a.do(cmd.Context(), found, ask))
	}
	return cmd
}

// numbersOf reads the numbers of a command line, each once.
func numbersOf(args []string) (numbers []int, err error) {
	for _, text := range args {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 {
			return nil, wrongUsage(`%q is no number of a report; put a name that has spaces in quotes, as in: "03 The Ferry" 1`, text)
		}
		if !slices.Contains(numbers, n) {
			numbers = append(numbers, n)
		}
	}
	return numbers, nil
}

// askToSettle finds in the chapter's report what the numbers mean.
func (a *asker) askToSettle(f watcher.Filed, numbers []int, cut bool) (watcher.Ask, error) {
	path, err := a.ws.ReportOf(f)
	if err != nil {
		return watcher.Ask{}, err
	}
	r, err := readReport(path)
	if errors.Is(err, fs.ErrNotExist) {
		return watcher.Ask{}, &watcher.RefusedError{Says: "its report is not in finished, so there is nothing to settle; lectern remake brings the chapter back"}
	}
	if err != nil {
		return watcher.Ask{}, err
	}
	answers, did, err := answersTo(r, numbers, cut)
	if err != nil {
		return watcher.Ask{}, err
	}
	text, err := json.Marshal(answers)
	return watcher.Ask{Kind: watcher.Settle, Answers: text, Did: did}, err
}

// answersTo returns the answers to what a report asks by these numbers, and in a few
// words what they do.
func answersTo(r report.Report, numbers []int, cut bool) (answers []report.Answer, did string, err error) {
	if len(r.Retakes) == 0 {
		return nil, "", &watcher.RefusedError{Says: "nothing in it seems to be read twice, so there is nothing to settle"}
	}
	var places []string
	for _, n := range numbers {
		i := slices.IndexFunc(r.Retakes, func(t report.Retake) bool { return t.Number == n })
		if i < 0 {
			return nil, "", wrongUsage("the report of %s has no number %d; it has %s", r.Chapter, n, numbersIn(r))
		}
		t := r.Retakes[i]
		if t.Raw < 0 || t.Raw >= len(r.Raws) {
			return nil, "", fmt.Errorf("read report: number %d is of a recording it does not name", n)
		}
		if says := alreadySo(t, cut); says != "" {
			return nil, "", &watcher.RefusedError{Says: fmt.Sprintf("number %d (%s) %s; nothing was changed", n, placeOf(r, t), says)}
		}
		answers = append(answers, report.Answer{RawSHA256: r.Raws[t.Raw].SHA256, FromS: t.FromS, AgainS: t.AgainS, Cut: cut})
		places = append(places, placeOf(r, t))
	}
	did = "kept what seems read twice "
	if cut {
		did = "cut what was read twice "
	}
	return answers, did + strings.Join(places, ", "), nil
}

// alreadySo tells, in a few words, that a passage is as it would be; "" if it is not.
func alreadySo(t report.Retake, cut bool) string {
	switch {
	case cut && t.State == takes.Cut:
		return "is cut already"
	case cut && t.State == takes.Marked:
		return "is cut already, because it was marked in the recording"
	case !cut && t.State == takes.Kept:
		return "is kept already"
	}
	return ""
}

// placeOf tells where a passage is: in the finished file, or if nothing of it is there,
// in its recording.
func placeOf(r report.Report, t report.Retake) string {
	switch {
	case t.FinishedAtS != nil:
		return "at " + report.Clock(float64(*t.FinishedAtS))
	case t.FinishedAgainS != nil:
		return "at " + report.Clock(float64(*t.FinishedAgainS))
	case t.Raw >= 0 && t.Raw < len(r.Raws):
		return fmt.Sprintf("at %s of %s", report.Clock(float64(t.FromS)), r.Raws[t.Raw].Name)
	}
	return "at no place"
}

// numbersIn lists what a report asks.
func numbersIn(r report.Report) string {
	var all []string
	for _, t := range r.Retakes {
		all = append(all, fmt.Sprintf("%d (%s)", t.Number, placeOf(r, t)))
	}
	return strings.Join(all, ", ")
}

// settle makes the newest revision again with its own settings and what was answered.
func (h hands) settle(ctx context.Context, job watcher.Job, recipe report.RecipeFile) (watcher.Made, error) {
	var answers []report.Answer
	if err := json.Unmarshal(job.Ask.Answers, &answers); err != nil {
		return watcher.Made{}, &watcher.BadRaw{Says: "The answers cannot be read any more; give them again."}
	}
	return h.master(ctx, job, making{
		settings: recipe.Settings, answers: withAnswers(recipe.Answers, answers),
		version: versionText(), did: job.Ask.Did, origin: report.Settled,
	})
}

// withAnswers lays later answers over earlier ones.
func withAnswers(earlier, later []report.Answer) []report.Answer {
	var out []report.Answer
	for _, a := range earlier {
		if !slices.ContainsFunc(later, func(b report.Answer) bool { return samePlace(a, b) }) {
			out = append(out, a)
		}
	}
	return append(out, later...)
}

// samePlaceS is how far apart two answers may lie and be about one passage. Our choice.
const samePlaceS = 0.1

func samePlace(a, b report.Answer) bool {
	near := func(x, y report.Seconds) bool { return math.Abs(float64(x-y)) <= samePlaceS }
	return a.RawSHA256 == b.RawSHA256 && near(a.FromS, b.FromS) && near(a.AgainS, b.AgainS)
}

// answersSoFar returns what people have said of a chapter that is made anew: by its
// newest recipe, or where that cannot be used, by its newest report. An answer whose
// recording is no part of the chapter any more is kept, and does nothing.
func answersSoFar(job watcher.Job) ([]report.Answer, error) {
	recipe, err := readRecipe(job.Recipe)
	var disk *fs.PathError
	if errors.As(err, &disk) && !errors.Is(err, fs.ErrNotExist) {
		return nil, err // it may be read the next time
	}
	if err == nil {
		return recipe.Answers, nil
	}
	r, err := readReport(job.Before)
	if err != nil {
		return nil, nil // a chapter that is new
	}
	return r.Recipe.Answers, nil
}
