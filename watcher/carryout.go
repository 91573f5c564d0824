package watcher

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"lectern/watcher/internal/durable"
)

// carryOut does what is left of a plan, tells of it and drops the job.
func (d *daemon) carryOut(ctx context.Context, j *job, p plan) error {
	if err := d.disksThere(); err != nil {
		return err
	}
	if err := d.unchangedSince(j, p); err != nil {
		return err
	}
	first := firstOpen(j, p)
	for i, s := range p.Steps {
		if err := ctx.Err(); err != nil {
			return err
		}
		if !exists(j.Dir) {
			return errLost // taken over while this process slept
		}
		if i < first {
			if err := d.confirm(j, s); err != nil {
				return err
			}
			continue
		}
		err := d.do(j, s)
		if errors.Is(err, errTaken) && published(j, p) == 0 {
			if s.Replaces != "" {
				err = refuse("%s was changed by hand just now, or taken away; nothing was changed", Plain(path.Base(s.To.Path)))
			}
			return errors.Join(err, d.store.Remove(j.path("plan.json"))) // made afresh under free names
		}
		if errors.Is(err, errTaken) && s.To.In == "finished" {
			// Part of the chapter is published, so the plan must stand; whatever came
			// under its name meanwhile is no work of ours.
			s.Replaces = ""
			if err = d.displace(s.To); err == nil {
				err = d.do(j, s)
			}
		}
		if errors.Is(err, errChanged) {
			err = d.returnChanged(j, s)
		}
		if err != nil {
			return fmt.Errorf("publish %q: %w", s.From.Path, err)
		}
		if i+1 == p.clearing() {
			if err := d.store.Write(j.path(clearedMark), nil, filePerm); err != nil {
				return err
			}
		}
	}
	if !exists(j.Dir) {
		return errLost
	}
	if err := d.writeDiary(p.Diary); err != nil {
		return err
	}
	d.report(j, p)
	return d.removeJob(j)
}

// firstOpen returns the first step that may still be open. Steps are done in
// order, so all of them are behind the last one whose file has left the job's
// folder, and all that clear the way are behind the mark. That matters: once
// the new finished file has its name, or a copy of it has, repeating the move of
// the earlier one would take the new one away.
func firstOpen(j *job, p plan) int {
	first := published(j, p)
	if exists(j.path(clearedMark)) {
		first = max(first, p.clearing())
	}
	return first
}

// published returns how many steps are behind the last one whose file has left
// the job's folder; 0 if nothing has been published yet.
func published(j *job, p plan) int {
	for i := len(p.Steps) - 1; i >= 0; i-- {
		if s := p.Steps[i]; s.From.In == "job" && !exists(j.path(filepath.FromSlash(s.From.Path))) {
			return i + 1
		}
	}
	return 0
}

// clearedMark is the file in a job's folder that says that earlier files of the
// same names are out of the way.
const clearedMark = "cleared"

// clearing returns how many steps there are up to the last that moves an
// earlier file out of the way.
func (p plan) clearing() (n int) {
	for i, s := range p.Steps {
		if s.From.In != "job" && s.To != (place{}) {
			n = i + 1
		}
	}
	return n
}

// confirm looks for a file that an earlier run has moved. A finished file may
// have been taken away by its owner since; a recording or recipe may not.
func (d *daemon) confirm(j *job, s step) error {
	if !s.Vital || exists(returnedMark(j, s)) {
		return nil
	}
	sum, _, err := d.store.Sum(d.ws.at(s.To, ""))
	if errors.Is(err, fs.ErrNotExist) || err == nil && sum != s.SHA256 {
		return fmt.Errorf("%w: %s/%s", errAlarm, s.To.In, s.To.Path)
	}
	return err
}

// do does one step, or finds it done.
func (d *daemon) do(j *job, s step) error {
	from := d.ws.at(s.From, j.Dir)
	if s.To == (place{}) {
		if d.clipHeld(s.From) != "" {
			return nil // something of hers stands in its place since it was planned
		}
		if sum, _, err := d.store.Sum(from); err != nil || sum != s.SHA256 {
			return ignoreMissing(err) // gone, or changed by hand: then it is hers
		}
		// By way of the job's folder, with which it is deleted. Who slept here for longer
		// than its lease finds no such folder any more, and takes away nothing of what
		// another daemon has published meanwhile.
		return ignoreMissing(d.store.Move(from, j.path(d.store.TempName()), s.SHA256))
	}
	to := d.ws.at(s.To, j.Dir)
	info, err := os.Lstat(from)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	there := err == nil
	if sum, size, err := d.store.Sum(to); err == nil {
		switch {
		case sum == s.SHA256:
			return d.dropLeftover(from, there, s)
		case s.Replaces != "" && (sum != s.Replaces || !there):
			return errTaken
		case s.Replaces != "":
			return d.replace(from, to, s)
		case size == 0 && there:
			// What a crash leaves of a move on a disk that cannot move without
			// overwriting: the name, held by an empty file.
			if err := d.store.Remove(to); err != nil {
				return err
			}
		default:
			return errTaken
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if s.Replaces != "" && there {
		return errTaken // by nothing: she has taken it away
	}
	if !there {
		return errAlarm
	}
	if err := d.makeRoomFor(s.To); err != nil {
		return err
	}
	if s.Raw {
		if !lookAt(info).sameBytes(s.Look) {
			if sum, _, err := d.store.Sum(from); err != nil || sum != s.SHA256 {
				return cmp.Or(err, errChanged)
			}
		}
		if sharesInode(info) {
			return d.store.CopyAway(from, to, s.SHA256, 0o440)
		}
		return d.store.Move(from, to, s.SHA256)
	}
	if sum, _, err := d.store.Sum(from); err != nil || sum != s.SHA256 {
		return errors.Join(durable.ErrNotSame, err)
	}
	return d.store.Move(from, to, s.SHA256)
}

// replace puts a file over the one that it was planned to take the place of.
func (d *daemon) replace(from, to string, s step) error {
	if sum, _, err := d.store.Sum(from); err != nil || sum != s.SHA256 {
		return errors.Join(durable.ErrNotSame, err)
	}
	dir, err := realFolder(filepath.Dir(to)) // finished itself may be a link
	if err != nil {
		return err
	}
	return d.store.Replace(from, filepath.Join(dir, filepath.Base(to)), s.SHA256)
}

// displaced returns a free place in superseded/ for a file that lies under a name of
// ours and is none of ours.
func (d *daemon) displaced(at place) place {
	dir, name := path.Split(at.Path)
	if path.Base(dir) == clipFolder { // clips have no superseded of their own
		dir = path.Dir(path.Clean(dir))
	}
	stem, ending := strings.TrimSuffix(name, path.Ext(name)), path.Ext(name)
	to := place{at.In, path.Join(dir, "superseded", stem+".found"+ending)}
	for n := 2; exists(d.ws.at(to, "")); n++ {
		to.Path = path.Join(dir, "superseded", fmt.Sprintf("%s.found-%d%s", stem, n, ending))
	}
	return to
}

// displace moves a file that somebody put under a name of ours into superseded/.
func (d *daemon) displace(at place) error {
	if !exists(d.ws.at(at, "")) {
		return nil
	}
	to := d.displaced(at)
	if err := d.makeRoomFor(to); err != nil {
		return err
	}
	d.log.Warn(fmt.Sprintf("%s was put into finished while a chapter of that name was being published; it was moved to superseded", Plain(path.Base(at.Path))))
	return d.store.Move(d.ws.at(at, ""), d.ws.at(to, ""), "")
}

// dropLeftover removes the source of a copy that was finished before a crash.
func (d *daemon) dropLeftover(from string, there bool, s step) error {
	if !there {
		return nil
	}
	switch sum, _, err := d.store.Sum(from); {
	case err != nil:
		return err
	case sum != s.SHA256 && s.Raw:
		return errChanged // after its copy was made
	case sum != s.SHA256:
		return errTaken
	}
	return d.store.Remove(from)
}

// makeRoomFor makes the folder a file is to lie in.
func (d *daemon) makeRoomFor(p place) error {
	if says := d.clipHeld(p); says != "" {
		return errors.New(says)
	}
	return d.store.MkdirAll(d.ws.at(place{In: p.In}, ""), path.Dir(p.Path), folderPerm)
}

// report tells the narrator how the job ended.
func (d *daemon) report(j *job, p plan) {
	took := time.Duration(p.TookS * float64(time.Second))
	fields := about(j.Book, j.Chapter, j.names()...)
	e := Event{
		Kind: Finished, Book: j.Book, Chapter: j.Chapter, Raws: j.names(), Took: took, Verdict: p.Verdict, Says: p.Says,
		Revision: p.Revision, Did: p.Did, Missed: p.Missed, RawsS: p.RawsS, FinishedS: p.FinishedS,
	}
	if j.Ask != nil {
		e.Ask = j.Ask.Kind
	}
	if p.State == stateSetAside {
		e.Kind = SetAside
		d.log.Warn(fmt.Sprintf("%s: set aside. %s", j.label(), Plain(p.Says)), fields...)
		d.tell(e)
		return
	}
	level := zapcore.InfoLevel
	if p.Verdict == "fail" {
		level = zapcore.WarnLevel
	}
	d.log.Log(level, fmt.Sprintf("%s: %s in %.1f s, %s", j.label(), p.Did, p.TookS, Plain(p.Says)),
		append(fields, zap.Int("revision", p.Revision), zap.String("verdict", p.Verdict))...)
	d.tell(e)
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return !errors.Is(err, fs.ErrNotExist)
}

func ignoreMissing(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}
