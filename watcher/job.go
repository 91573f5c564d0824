package watcher

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"
	"time"
)

// waitError says that a claimed raw is not all there after all.
type waitError struct {
	after time.Duration
	says  string
}

func (e *waitError) Error() string { return e.says }

// panicError is a panic of one of the Hands, caught so that other jobs go on.
type panicError struct {
	value any
	stack []byte
}

func (e *panicError) Error() string { return fmt.Sprintf("the program failed: %v", e.value) }

// work takes a job from wherever it stands to its end. It may be called again
// after any error and after any crash.
func (d *daemon) work(ctx context.Context, j *job) error {
	if err := d.disksThere(); err != nil {
		return err
	}
	if j.Ask != nil {
		return d.answerOrDrop(ctx, j)
	}
	p, err := d.readPlan(j)
	if err == nil {
		return d.carryOut(ctx, j, p)
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("read plan: %w", err)
	}
	if err := d.complete(j); err != nil {
		return err
	}
	if len(j.Raws) == 0 {
		return errors.Join(errLost, d.removeJob(j))
	}
	if err := d.recheck(j); err != nil {
		return err
	}
	says, err := j.givenUp()
	if err != nil {
		return err
	}
	if says != "" {
		return d.setAside(ctx, j, says)
	}
	return d.master(ctx, j)
}

// recheck asks again, now that the raws lie where no one else moves them,
// whether they are all there: a rename does not stop whoever writes.
func (d *daemon) recheck(j *job) error {
	seconds := 0.0
	for i := range j.Raws {
		r := &j.Raws[i]
		path := j.path("new", r.File)
		info, err := os.Lstat(path)
		if err != nil {
			return fmt.Errorf("look at recording: %w", err)
		}
		if !info.Mode().IsRegular() {
			return errors.Join(errLost, d.unclaim(j)) // swapped for a link; the inbox refuses it
		}
		if seen := lookAt(info); !seen.sameBytes(j.looks[r.File]) {
			j.looks[r.File] = seen
			return &waitError{d.quiet(), "still being written"}
		}
		open, err := hasWriter(path)
		if err != nil {
			return fmt.Errorf("look at recording: %w", err)
		}
		if open == yes {
			return &waitError{d.quiet(), "still open in the program that writes it"}
		}
		if j.Says != "" {
			continue
		}
		c := d.askComplete(path)
		if c.State == Arriving && r.AsIs {
			c.State = Unfinished
		}
		switch c.State {
		case Arriving:
			return &waitError{d.quiet(), fmt.Sprintf("waiting, %.0f %% received", c.Percent)}
		case Refused:
			j.Says = c.Says
		case Unfinished:
			r.TakenUnfinished = true
			seconds += c.DurationS
		case Whole:
			seconds += c.DurationS
		}
	}
	j.Seconds = seconds
	return nil
}

// askComplete is Hands.Complete; a panic in it refuses the file.
func (d *daemon) askComplete(path string) (c Completeness) {
	defer func() {
		if v := recover(); v != nil {
			d.log.Error("the program failed while reading a file", failure(&panicError{v, debug.Stack()})...)
			c = Completeness{State: Refused, Says: "This file makes the program fail when it reads it. Please save or export it again as a plain WAV file, and report the fault."}
		}
	}()
	return d.hands.Complete(path)
}

// The tries a job gets. A try that ended in an error or a panic is the
// recording's doing or ours. A try that ended because the process died is
// weaker proof, since a process is also killed for reasons of its own, so it
// takes more of them. Our choice.
const (
	failuresMax = 3
	deathsMax   = 10
)

// tries counts, from the marks on disk, the tries that failed and those after
// which nothing more was heard.
func (j *job) tries() (failed, died int, err error) {
	names, err := namesIn(j.path("tries"))
	for _, name := range names {
		switch {
		case strings.HasSuffix(name, ".failed"):
			failed++
		case strings.HasSuffix(name, ".began"):
			died++
		}
	}
	return failed, died - failed, err
}

// givenUp returns the sentence to set a job aside with, "" to go on.
func (j *job) givenUp() (string, error) {
	failed, died, err := j.tries()
	switch {
	case err != nil:
		return "", err
	case j.Says != "":
		return j.Says, nil
	case failed >= failuresMax:
		return fmt.Sprintf("The program failed %d times on this recording, so it has been put aside for others to go on. "+
			"The recording itself is untouched. Please save or export it again as a plain WAV file and drop it in; "+
			"if it fails again, report the fault.", failed), nil
	case died >= deathsMax:
		return fmt.Sprintf("The program ended without a word %d times while it worked on this recording, so it has been put "+
			"aside for others to go on. The recording itself is untouched. Perhaps the computer has too little memory; "+
			"drop the recording in again to have it tried again.", died), nil
	}
	return "", nil
}

// beginTry marks a try before it begins, so that even a crash counts.
func (d *daemon) beginTry(j *job) (mark string, err error) {
	mark = j.path("tries", d.store.TempName()[1:]) // visible: temporary names are swept
	return mark, d.store.Write(mark+".began", nil, filePerm)
}

// master has the chapter made and published.
func (d *daemon) master(ctx context.Context, j *job) error {
	list, err := d.playing(j)
	if err != nil {
		return err
	}
	if list == nil {
		return d.removeJob(j)
	}
	if err := j.tidy(); err != nil {
		return err
	}
	mark, err := d.beginTry(j)
	if err != nil {
		return fmt.Errorf("mark try: %w", err)
	}
	start := time.Now()
	made, err := d.callMake(ctx, j, list, nil)
	took := time.Since(start)
	switch {
	case err == nil:
	case errors.Is(err, ErrBadRaw):
		return d.setAside(ctx, j, badRawSays(err))
	case ctx.Err() != nil, isDiskTrouble(err):
		return fmt.Errorf("make chapter: %w", errors.Join(err, d.store.Remove(mark+".began")))
	default:
		return fmt.Errorf("make chapter: %w", errors.Join(err, d.store.Write(mark+".failed", nil, filePerm)))
	}
	p, err := d.prepare(j, list, made, took)
	if err != nil {
		return errors.Join(err, d.store.Remove(mark+".began"))
	}
	return d.carryOut(ctx, j, p)
}

// callMake is Hands.Make; a panic in it is an error.
func (d *daemon) callMake(ctx context.Context, j *job, list []jobRaw, kept *Kept) (made Made, err error) {
	defer func() {
		if v := recover(); v != nil {
			err = &panicError{v, debug.Stack()}
		}
	}()
	s, err := d.ws.shelf(j.Book, j.Chapter, j.ending())
	if err != nil {
		return Made{}, err
	}
	order := Job{
		Book: j.Book, Chapter: j.Chapter, Filed: s.Book, Dir: j.Dir, Ask: j.Ask, Kept: kept,
		Before: filepath.Join(d.ws.Finished, s.Book, s.Stem+".json"),
		Recipe: d.recipePath(s, s.Recipe),
	}
	if !exists(order.Before) { // withdrawn, or moved away
		order.Before = filepath.Join(d.ws.Finished, s.Book, "superseded", fmt.Sprintf("%s.r%d.json", s.Stem, s.Highest))
	}
	order.Replaced = d.replaced(s, list)
	if kept != nil {
		order.Sample = kept.sample
	}
	var written time.Time
	d.set.Vitals.step(j.Key)
	defer d.set.Vitals.rest(j.Key)
	order.Progress = func(share float64) {
		d.set.Vitals.step(j.Key)
		d.sharer.move(j.Key)
		if now := time.Now(); now.Sub(written) >= progressPause {
			written = now
			writeProgress(j.Dir, share)
		}
		d.tell(Event{Kind: Progress, Book: j.Book, Chapter: j.Chapter, Raws: j.names(), Share: share})
	}
	for _, r := range list {
		order.Raws = append(order.Raws, Raw{
			Path: r.path, Name: r.name(), Role: r.Role, Number: r.Number,
			ArchivedAs: r.ArchivedAs, TakenUnfinished: r.TakenUnfinished,
		})
	}
	made, err = d.hands.Make(ctx, order)
	if err == nil && made.File != "" && len(made.RawSHA256) != len(list) {
		err = fmt.Errorf("%d sums for %d recordings", len(made.RawSHA256), len(list))
	}
	return made, err
}

// replaced returns the path of the archived raw that a plain name dropped again takes the
// place of, "" if there is none or nothing finished stands for it.
func (d *daemon) replaced(s shelf, list []jobRaw) string {
	if !s.HasFile || len(list) == 0 || list[0].File == "" || list[0].Role != roleChapter {
		return ""
	}
	for _, r := range s.Raws {
		if at := d.ws.archivedRaw(s.Book, r); r.Role == roleChapter && at.away == "" && exists(at.path) {
			return at.path
		}
	}
	return ""
}

func badRawSays(err error) string {
	var bad *BadRaw
	if errors.As(err, &bad) {
		return bad.Says
	}
	return err.Error()
}

// isDiskTrouble tells whether an error comes from the system, not from what a
// recording holds: it is tried again for ever.
func isDiskTrouble(err error) bool {
	var number syscall.Errno
	return errors.As(err, &number) || errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission)
}

// keep are the names in a job's folder that a fresh try starts from.
var keep = []string{"new", "tries", "orig.json", "job.json", "lease"}

// tidy deletes what an earlier try left behind.
func (j *job) tidy() error {
	names, err := namesIn(j.Dir)
	if err != nil {
		return err
	}
	for _, name := range names {
		if slices.Contains(keep, name) {
			continue
		}
		if err := os.RemoveAll(j.path(name)); err != nil {
			return fmt.Errorf("tidy job folder: %w", err)
		}
	}
	return nil
}
