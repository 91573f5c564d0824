package watcher

import (
	"errors"
	"fmt"
	"path"
	"path/filepath"
	"time"
)

// planAnswer plans what an Ask moves. Until plan.json has its name nothing outside
// the job's folder has changed.
func (d *daemon) planAnswer(j *job, s shelf, list []jobRaw, made Made, took time.Duration) (plan, error) {
	switch j.Ask.Kind {
	case Withdraw:
		return d.planWithdraw(j, s, made)
	case Rename:
		return d.planRename(j, s, list, made)
	case Retag:
		return d.planRetag(j, s, made)
	case Remake, CutSample:
		if same, err := d.asBefore(j, s, list, made); err != nil {
			return plan{}, err
		} else if same {
			return d.planPutBack(j, s, list, made, took)
		}
	}
	return d.prepare(j, list, made, took)
}

// planWithdraw moves the finished pair to superseded/, its report with one line
// more of history.
func (d *daemon) planWithdraw(j *job, s shelf, made Made) (plan, error) {
	p := plan{Schema: "lectern-plan/1", State: stateFinished, Did: "withdrawn", Revision: s.Current, Says: "its recordings stay in the archive"}
	papers, err := made.Papers(s.Current, nil)
	if err != nil {
		return plan{}, fmt.Errorf("write report: %w", err)
	}
	if err := d.retire(&p, j, s, papers.Withdrawn); err != nil {
		return plan{}, err
	}
	return d.writePlan(j, p)
}

// paperWithdrawn is the name, in the job's folder, of the report that goes to
// superseded/.
const paperWithdrawn = "withdrawn.json"

// retire plans to take a chapter's pair out of finished/.
func (d *daemon) retire(p *plan, j *job, s shelf, report []byte) error {
	if err := d.outOfTheWay(p, s, s.Ending, s.Current); err != nil {
		return err
	}
	at, err := d.besides(s, ".json", s.Current)
	if err != nil {
		return err
	}
	if err := d.paper(p, j, paperWithdrawn, report, at); err != nil {
		return err
	}
	for _, ending := range []string{".json", pleaseRead} {
		if err := d.removeText(p, place{"finished", path.Join(s.Book, s.Stem+ending)}); err != nil {
			return err
		}
	}
	return d.dropClip(p, s)
}

// planRename publishes the chapter under its new name and retires the old one.
func (d *daemon) planRename(j *job, s shelf, list []jobRaw, made Made) (plan, error) {
	to, err := d.ws.shelf(j.Book, j.Ask.NewName, s.Ending)
	if err != nil {
		return plan{}, err
	}
	if sameName(to.Stem, s.Stem) {
		return plan{}, refuse("%s and %s are one name to this program; nothing was changed", Plain(j.Chapter), Plain(j.Ask.NewName))
	}
	if exists(filepath.Join(d.ws.Finished, to.Book, to.Stem+".json")) || to.HasFile {
		return plan{}, refuse("there is a finished %s already; withdraw it first, or choose another name", Plain(j.Ask.NewName))
	}
	revision := to.Highest + 1
	var archivedAs []string
	for _, r := range list {
		archivedAs = append(archivedAs, r.ArchivedAs)
	}
	papers, err := made.Papers(revision, archivedAs)
	if err != nil {
		return plan{}, fmt.Errorf("write report: %w", err)
	}
	p := plan{
		Schema: "lectern-plan/1", State: stateFinished, Did: "renamed to " + Plain(j.Ask.NewName),
		Revision: revision, Verdict: papers.Verdict, Says: papers.Says,
	}
	if err := d.retire(&p, j, s, papers.Withdrawn); err != nil {
		return plan{}, err
	}
	name := func(ending string) place { return place{"finished", path.Join(to.Book, to.Stem+ending)} }
	from, err := jobFile(j, made.File)
	if err != nil {
		return plan{}, err
	}
	p.Steps = append(p.Steps, step{From: from, To: name(s.Ending), SHA256: made.SHA256})
	if err := d.besideIt(&p, j, papers, name); err != nil {
		return plan{}, err
	}
	if err := d.renameClip(&p, j, s, to); err != nil {
		return plan{}, err
	}
	recipe := place{"archive", path.Join(to.Book, fmt.Sprintf("%s.r%d.recipe.json", to.Stem, revision))}
	if err := d.paper(&p, j, paperRecipe, papers.Recipe, recipe); err != nil {
		return plan{}, err
	}
	p.Steps[len(p.Steps)-1].Vital = true
	return d.writePlan(j, p)
}

// jobFile is the place of a file that was made.
func jobFile(j *job, file string) (place, error) {
	rel, err := filepath.Rel(j.Dir, file)
	if err != nil || !filepath.IsLocal(rel) {
		return place{}, errors.Join(fmt.Errorf("find the finished file %q", file), err)
	}
	return place{"job", filepath.ToSlash(rel)}, nil
}

// outOfTheWay plans to move one file of a chapter from finished/ to superseded/, if
// it is there.
func (d *daemon) outOfTheWay(p *plan, s shelf, ending string, revision int) error {
	from := place{"finished", path.Join(s.Book, s.Stem+ending)}
	sum, _, err := d.store.Sum(d.ws.at(from, ""))
	if err != nil {
		return ignoreMissing(err)
	}
	to, err := d.besides(s, ending, revision)
	p.Steps = append(p.Steps, step{From: from, To: to, SHA256: sum})
	return err
}

// besides returns a free place in superseded/ for a file of a revision.
func (d *daemon) besides(s shelf, ending string, revision int) (place, error) {
	for n := 1; n < 1<<20; n++ {
		name := fmt.Sprintf("%s.r%d%s", s.Stem, revision, ending)
		if n > 1 {
			name = fmt.Sprintf("%s.r%d-%d%s", s.Stem, revision, n, ending)
		}
		if at := (place{"finished", path.Join(s.Book, "superseded", name)}); !exists(d.ws.at(at, "")) {
			return at, nil
		}
	}
	return place{}, errors.New("no name is free in superseded")
}
