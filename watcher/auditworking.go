package watcher

import (
	"errors"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"lectern/watcher/internal/durable"
)

// working checks the jobs.
func (a *auditor) working() error {
	names, err := namesIn(a.ws.Working)
	if err != nil {
		return err
	}
	slices.Sort(names)
	a.inWork = slices.ContainsFunc(names, func(name string) bool { return ownerLives(filepath.Join(a.ws.Working, name)) })
	for _, name := range names {
		at := path.Join("working", name)
		dir := filepath.Join(a.ws.Working, name)
		raws, _ := namesIn(filepath.Join(dir, "new")) // what is no folder of ours holds none
		switch {
		case durable.IsTemp(name) && len(raws) > 0:
			a.stranded("", at)
		case durable.IsTemp(name):
			a.unfinished("", at, "an unfinished folder was left behind")
		case kindOf(name) == junk:
		default:
			a.job(at, dir, len(raws) > 0)
		}
	}
	return nil
}

// job checks one folder in working/.
func (a *auditor) job(at, dir string, holdsRaws bool) {
	var o orig
	err := readJSON(filepath.Join(dir, "orig.json"), &o)
	j := jobOf(dir, o)
	if err == nil {
		err = j.staysInside()
	}
	switch {
	case err == nil:
	case !exists(dir):
		return
	case holdsRaws:
		a.stranded("", at)
		return
	case errors.Is(err, fs.ErrPermission):
		a.opened("", path.Join(at, "orig.json"), err)
		return
	default:
		a.wrong("stray", "", at, "it is no job of this program's; move it elsewhere")
		return
	}
	a.out.LookedAt.Jobs++
	if isShelving := j.Ask != nil && j.Ask.Kind == shelve; isShelving && ownerLives(dir) {
		a.note("in_work", j.Book, at, "recordings of the book are on their way to another disk, or back")
	} else if isShelving {
		a.wrong("half_done", j.Book, at, "moving recordings of the book to another disk, or back, was cut short, and nothing is lost; repeat the command lectern shelve")
	} else if ownerLives(dir) {
		a.note("in_work", j.Book, at, "%s is in work", j.label())
	} else {
		a.wrong("half_done", j.Book, at, "%s is half done, and nobody works on it; lectern watch goes on with it", j.label())
	}
	a.plan(j)
}

// stranded tells of a job's folder that nobody can go on with, but that holds raws.
func (a *auditor) stranded(book, at string) {
	a.wrong("stranded_raw", book, at, "a recording lies in its folder new, but nothing tells whose it is; give it its name and drop it into the inbox")
}

// plan takes note of what a job's plan has yet to move. A vital file that has left the
// job's folder must be in its place, and is audited there.
func (a *auditor) plan(j *job) {
	var p plan
	if readJSON(j.path("plan.json"), &p) != nil {
		return // none: nothing has left the job's folder
	}
	for _, s := range p.Steps {
		if s.Vital && !exists(a.ws.at(s.From, j.Dir)) {
			continue
		}
		for _, at := range []place{s.From, s.To} {
			if at.In != "job" && at.In != "" {
				name := Fold(path.Join(at.In, at.Path))
				a.moving[name], a.moving[strings.TrimSuffix(name, path.Ext(name))] = true, true
			}
		}
	}
}
