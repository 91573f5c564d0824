package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
)

// didRetag says, in a line of log, that the words in an MP3 are others now.
const didRetag = "its words were written anew"

// keptToRetag finds the finished pair whose words are to be written anew. Only an MP3
// that is the one its report tells of is touched.
func (d *daemon) keptToRetag(j *job, s shelf, kept *Kept) error {
	again := toRemake(s.Book, s.Stem, 0)
	if s.Ending != endingMP3 {
		return refuse("%s is a room test, and no words are written into it", Plain(j.Chapter))
	}
	var r finishedReport
	if err := readJSON(kept.Report, &r); err != nil && !errors.Is(err, errNotJSON) && !errors.Is(err, ErrNotRegular) {
		return fmt.Errorf("read report: %w", err)
	} else if _, sum := r.file(); err != nil || r.Revision < 1 || sum == "" {
		return refuse("the report of %s cannot be read; delete it, and write it again with: %s", Plain(j.Chapter), again)
	}
	_, want := r.file()
	sum, _, err := d.store.Sum(filepath.Join(d.ws.Finished, s.Book, s.Stem+s.Ending))
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, ErrNotRegular):
		return refuse("the MP3 of %s is not in finished, so nothing can be written into it; bring it back with: %s", Plain(j.Chapter), again)
	case err != nil:
		return err
	case sum != want:
		return refuse("the MP3 of %s is not the one its report tells of: it was changed by hand, and is left as it is. "+
			"Move it elsewhere, and bring the right one back with: %s", Plain(j.Chapter), again)
	}
	kept.Revision = r.Revision
	return nil
}

// planRetag puts the MP3 with the new words, and the report of it, in the place of the
// old ones. It is no new revision: the sound and how it was made stay what they are.
func (d *daemon) planRetag(j *job, s shelf, made Made) (plan, error) {
	p := plan{Schema: "lectern-plan/1", State: stateFinished, Did: "unchanged", Revision: s.Current}
	if made.File == "" {
		return p, nil
	}
	if err := d.unchanged(j, nil, made); err != nil {
		return plan{}, err
	}
	papers, err := made.Papers(s.Current, nil)
	if err != nil {
		return plan{}, fmt.Errorf("write report: %w", err)
	}
	p.Did, p.Verdict, p.Says = didRetag, papers.Verdict, papers.Says
	var r finishedReport
	if err := readJSON(filepath.Join(d.ws.Finished, s.Book, s.Stem+".json"), &r); err != nil {
		return plan{}, fmt.Errorf("read report: %w", err)
	}
	_, was := r.file()
	from, err := jobFile(j, made.File)
	if err != nil {
		return plan{}, err
	}
	name := func(ending string) place { return place{"finished", path.Join(s.Book, s.Stem+ending)} }
	p.Steps = append(p.Steps, step{From: from, To: name(s.Ending), SHA256: made.SHA256, Replaces: was})
	if err := d.replaceReport(&p, j, papers, name(".json")); err != nil {
		return plan{}, err
	}
	return d.writePlan(j, p)
}

// replaceReport plans to put a report in the place of the one that lies there.
func (d *daemon) replaceReport(p *plan, j *job, papers Papers, at place) error {
	was, _, err := d.store.Sum(d.ws.at(at, ""))
	if err != nil {
		return err
	}
	if err := d.paper(p, j, paperReport, papers.Report, at); err != nil {
		return err
	}
	p.Steps[len(p.Steps)-1].Replaces = was
	return nil
}
