package watcher

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"lectern/watcher/internal/durable"
)

// plan is the content of plan.json: every change that turns a finished job
// into a published chapter, in order. Once it is on disk the job is only ever
// carried out, never made again, unless nothing of it has happened yet.
type plan struct {
	Schema   string  `json:"schema"`
	State    string  `json:"state"` // finished or setaside
	Revision int     `json:"revision"`
	Did      string  `json:"did"` // for the line of log: mastered, measured, ...
	Verdict  string  `json:"verdict"`
	Says     string  `json:"says"`
	TookS    float64 `json:"took_s"`
	// Replaced is the revision whose place this one takes, 0 if there is none.
	Replaced  int      `json:"replaced,omitempty"`
	Missed    []string `json:"missed,omitempty"`
	RawsS     float64  `json:"raws_s,omitempty"`
	FinishedS float64  `json:"finished_s,omitempty"`
	// Diary is what the diary of the book is to tell of it.
	Diary *diaryLine `json:"diary,omitempty"`
	Steps []step     `json:"steps"`
}

// The two ends of a job.
const (
	stateFinished = "finished"
	stateSetAside = "setaside"
	// stateWithdrawn is that of a report in superseded/ whose chapter somebody took
	// out of finished/.
	stateWithdrawn = "withdrawn"
)

// step moves one file, or removes it if To is empty, or replaces another.
type step struct {
	From   place  `json:"from"`
	To     place  `json:"to"`
	SHA256 string `json:"sha256"`
	// Raw marks a recording: it is moved only if it still looks as in Look, and
	// copied if somebody else still holds it.
	Raw  bool `json:"raw"`
	Look look `json:"look"`
	// Replaces is the sum of the file at To that this one takes the place of: the one way
	// in which a finished file is ever overwritten, with the same sound under other words,
	// or the report of it. Any other file there is left alone.
	Replaces string `json:"replaces,omitempty"`
	// Vital marks a file that must be found again in the end.
	Vital bool `json:"vital"`
}

// place is a path below one of the folders: job, finished, archive, setaside.
type place struct {
	In   string `json:"in"`
	Path string `json:"path"` // with slashes
}

// readPlan reads a job's plan. One that would move anything from or to a place outside
// the folders, or replace anything but a finished file, is none.
func (d *daemon) readPlan(j *job) (plan, error) {
	var p plan
	if err := d.readOwn(j, "plan.json", &p); err != nil {
		return plan{}, err
	}
	for _, s := range p.Steps {
		for _, at := range []place{s.From, s.To} {
			if at != (place{}) && !at.isInside() {
				return plan{}, fmt.Errorf("%w: %q: it names %q", errNotJSON, "plan.json", at.Path)
			}
		}
		if s.Replaces != "" && s.To.In != "finished" {
			return plan{}, fmt.Errorf("%w: %q: it replaces %q", errNotJSON, "plan.json", s.To.Path)
		}
	}
	return p, nil
}

// isInside tells whether a place lies below the folder it names.
func (p place) isInside() bool {
	known := slices.Contains([]string{"job", "finished", "archive", "setaside"}, p.In)
	local := filepath.FromSlash(p.Path)
	return known && filepath.IsLocal(local) && filepath.Clean(local) != "." && !strings.Contains(local, "\x00")
}

// errTaken reports that a name a plan counts on is held by something else.
var errTaken = errors.New("another file has taken the name")

// errAlarm reports what must not happen: a file that is nowhere.
var errAlarm = errors.New("a file is neither where it was nor where it belongs")

// The names of a job's papers in its folder, until they are published.
const (
	paperReport     = "report.json"
	paperRecipe     = "recipe.json"
	paperPleaseRead = "please-read.txt"
)

// prepare proves what was made, writes the papers and then the plan. Until
// plan.json has its name nothing outside the job's folder has changed.
func (d *daemon) prepare(j *job, list []jobRaw, made Made, took time.Duration) (plan, error) {
	if err := d.unchanged(j, list, made); err != nil {
		return plan{}, err
	}
	s, err := d.ws.shelf(j.Book, j.Chapter, j.ending())
	if err != nil {
		return plan{}, err
	}
	revision, archivedAs := d.nextRevision(s, list)
	papers, err := made.Papers(revision, archivedAs)
	if err != nil {
		return plan{}, fmt.Errorf("write report: %w", err)
	}
	p := plan{
		Schema: "lectern-plan/1", State: stateFinished, Did: j.did(), Revision: revision,
		Verdict: papers.Verdict, Says: papers.Says, TookS: took.Seconds(),
		Missed: papers.Missed, RawsS: papers.RawsS, FinishedS: papers.FinishedS,
	}
	if err := d.supersede(&p, s); err != nil {
		return plan{}, err
	}
	if len(p.Steps) > 0 {
		p.Replaced = s.Current
	}
	name := func(ending string) place { return place{"finished", path.Join(s.Book, s.Stem+ending)} }
	from, err := jobFile(j, made.File)
	if err != nil {
		return plan{}, err
	}
	p.Steps = append(p.Steps, step{From: from, To: name(s.Ending), SHA256: made.SHA256})
	if err := d.besideIt(&p, j, papers, name); err != nil {
		return plan{}, err
	}
	if err := d.replaceClip(&p, j, s, made); err != nil {
		return plan{}, err
	}
	if err := d.solved(&p, j, s); err != nil {
		return plan{}, err
	}
	recipe := place{"archive", path.Join(s.Book, fmt.Sprintf("%s.r%d.recipe.json", s.Stem, revision))}
	if err := d.paper(&p, j, paperRecipe, papers.Recipe, recipe); err != nil {
		return plan{}, err
	}
	p.Steps[len(p.Steps)-1].Vital = true
	for i, r := range list {
		if r.File == "" {
			continue
		}
		p.Steps = append(p.Steps, step{
			From: place{"job", "new/" + r.File}, To: place{"archive", path.Join(s.Book, archivedAs[i])},
			SHA256: made.RawSHA256[i], Raw: true, Look: j.looks[r.File], Vital: true,
		})
	}
	return d.writePlan(j, p)
}

// besideIt plans the report and the note that lie beside a finished file.
func (d *daemon) besideIt(p *plan, j *job, papers Papers, name func(ending string) place) error {
	if err := d.paper(p, j, paperReport, papers.Report, name(".json")); err != nil {
		return err
	}
	return d.note(p, j, papers, name)
}

// note plans the text that says what the narrator must do, in place of an earlier one.
func (d *daemon) note(p *plan, j *job, papers Papers, name func(ending string) place) error {
	if err := d.removeText(p, name(pleaseRead)); err != nil || papers.PleaseRead == nil {
		return err
	}
	return d.paper(p, j, paperPleaseRead, papers.PleaseRead, name(pleaseRead))
}

// pleaseRead ends the name of the text that says what the narrator must do. No
// stem ends like that text's: see outStem.
const (
	pleaseReadStem = " - please read"
	pleaseRead     = pleaseReadStem + ".txt"
)

// unchanged proves that the finished file on disk is the one that was measured, and that
// no raw moved under the hands that read it.
func (d *daemon) unchanged(j *job, list []jobRaw, made Made) error {
	sum, size, err := d.store.Sum(made.File)
	if err != nil {
		return err
	}
	if sum != made.SHA256 || size != made.Bytes {
		return fmt.Errorf("check the finished file: %w", durable.ErrNotSame)
	}
	for i, r := range list {
		if r.File == "" {
			if made.RawSHA256[i] != r.SHA256 {
				return fmt.Errorf("check archived recording %q: %w", r.ArchivedAs, durable.ErrNotSame)
			}
			continue
		}
		info, err := os.Lstat(r.path)
		if err != nil {
			return fmt.Errorf("check recording: %w", err)
		}
		if !lookAt(info).sameBytes(j.looks[r.File]) || made.RawSHA256[i] != r.SHA256 {
			err := d.store.Remove(j.path("job.json"))
			return errors.Join(err, &waitError{d.quiet(), "changed while it was mastered"})
		}
	}
	return nil
}

// nextRevision returns the first revision for which every name is free, and
// the raws' names in the archive.
func (d *daemon) nextRevision(s shelf, list []jobRaw) (revision int, archivedAs []string) {
	shelved, _ := d.ws.shelvedNote(s.Book) // of one that cannot be read the recipes tell
	for revision = s.Highest + 1; ; revision++ {
		archivedAs = archivedAs[:0]
		free := true
		for _, r := range list {
			name := r.ArchivedAs
			if r.File != "" {
				name = fmt.Sprintf("%s.r%d.wav", outStem(stemOf(r.name())), revision)
				_, err := os.Lstat(filepath.Join(d.ws.Archive, s.Book, name))
				free = free && errors.Is(err, fs.ErrNotExist) && !shelved.has(name)
			}
			archivedAs = append(archivedAs, name)
		}
		if free {
			return revision, archivedAs
		}
	}
}

// supersede plans the moves of the earlier pair out of the way. A name that means a
// room test now may have meant a chapter once, whose MP3 goes too.
func (d *daemon) supersede(p *plan, s shelf) error {
	for _, ending := range slices.Compact([]string{endingMP3, s.Ending, ".json"}) {
		if err := d.outOfTheWay(p, s, ending, s.Current); err != nil {
			return err
		}
	}
	return nil
}

// removeText plans to remove a text that is no longer true, if it is there.
func (d *daemon) removeText(p *plan, at place) error {
	sum, _, err := d.store.Sum(d.ws.at(at, ""))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	p.Steps = append(p.Steps, step{From: at, SHA256: sum})
	return err
}

// paper writes one text into the job's folder and plans its move.
func (d *daemon) paper(p *plan, j *job, name string, data []byte, to place) error {
	if err := d.store.Remove(j.path(name)); err != nil {
		return err
	}
	if err := d.store.Write(j.path(name), data, filePerm); err != nil {
		return err
	}
	sum, _, err := d.store.Sum(j.path(name))
	p.Steps = append(p.Steps, step{From: place{"job", name}, To: to, SHA256: sum})
	return err
}

// writePlan puts a job's plan on the disk. It returns the plan with what the diary is to
// tell of it.
func (d *daemon) writePlan(j *job, p plan) (plan, error) {
	if err := d.disksThere(); err != nil {
		return plan{}, err
	}
	var err error
	if p.Diary, err = d.diaryOf(j, p); err != nil {
		return plan{}, err
	}
	data, err := json.MarshalIndent(p, "", " ")
	if err != nil {
		return plan{}, fmt.Errorf("write plan: %w", err)
	}
	return p, d.store.Write(j.path("plan.json"), data, filePerm)
}
