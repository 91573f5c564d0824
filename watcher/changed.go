package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
)

// errChanged reports a recording that was written to after its chapter was made.
var errChanged = errors.New("the recording has changed since its chapter was made")

// unchangedSince looks at the recordings once more as long as nothing is published. One
// that was written to since the plan was made, perhaps while no daemon ran, has its
// chapter made afresh.
func (d *daemon) unchangedSince(j *job, p plan) error {
	if published(j, p) > 0 {
		return nil
	}
	for _, s := range p.Steps {
		if !s.Raw {
			continue
		}
		from := d.ws.at(s.From, j.Dir)
		info, err := os.Lstat(from)
		if err == nil && lookAt(info).sameBytes(s.Look) {
			continue
		}
		sum, _, err := d.store.Sum(from)
		if err != nil {
			return err
		}
		if sum != s.SHA256 {
			return errors.Join(d.store.Remove(j.path("job.json")), d.store.Remove(j.path("plan.json")),
				&waitError{d.quiet(), "changed while it was mastered"})
		}
	}
	return nil
}

// returnChanged puts a recording back into the inbox that was written to while its
// chapter was being published: what it holds now is a new take of the same name.
func (d *daemon) returnChanged(j *job, s step) error {
	// Should this end half way, the mark tells that nothing is missing.
	if err := d.store.Write(returnedMark(j, s), nil, filePerm); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	for _, r := range j.Raws {
		if "new/"+r.File != s.From.Path {
			continue
		}
		if err := d.putBack(j, r); err != nil {
			return err
		}
		d.log.Warn(fmt.Sprintf("%s: it was still being written to when its chapter was already made. It is back in the inbox, and the chapter is made again",
			Plain(r.name())), about(j.Book, j.Chapter, r.name())...)
	}
	return nil
}

// returnedMark is the file in a job's folder that says that a recording went back.
func returnedMark(j *job, s step) string {
	return j.path(strings.TrimSuffix(path.Base(s.From.Path), ".wav") + ".returned")
}

// putBack gives one recording of a job back to the inbox, under its own name.
func (d *daemon) putBack(j *job, r origRaw) error {
	if err := d.store.MkdirAll(d.ws.Inbox, j.Book, inboxPerm); err != nil {
		return err
	}
	if err := d.store.Give(j.path("new", r.File), filepath.Join(d.ws.Inbox, j.Book), r.name()); err != nil {
		return fmt.Errorf("put recording back: %w", err)
	}
	return nil
}
