package watcher

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
)

// jobRaw is one raw in job.json: one from new/ (File is set) or an archived one.
type jobRaw struct {
	File string `json:"file,omitempty"`
	recipeRaw
	TakenUnfinished bool `json:"taken_unfinished"`

	path string
}

func (r jobRaw) name() string { return fromHex(r.NameHex, r.Name) }

// jobPaper is the content of job.json: the raws in playing order, and those of
// new/ whose very bytes are archived already.
type jobPaper struct {
	Schema string   `json:"schema"`
	Raws   []jobRaw `json:"raws"`
	Known  []jobRaw `json:"known"`
}

// playing returns the job's raws in playing order, or nil if there is nothing
// to make. The first call writes job.json, a later one reads it.
func (d *daemon) playing(j *job) ([]jobRaw, error) {
	s, err := d.ws.shelf(j.Book, j.Chapter, j.ending())
	if err != nil {
		return nil, err
	}
	var paper jobPaper
	err = d.readOwn(j, "job.json", &paper)
	if errors.Is(err, fs.ErrNotExist) {
		paper, err = d.arrange(j, s)
	}
	if err == nil {
		err = paper.staysInside()
	}
	if err != nil {
		return nil, err
	}
	if err := d.dropKnown(j, s, paper.Known); err != nil {
		return nil, err
	}
	fresh := false
	for i := range paper.Raws {
		r := &paper.Raws[i]
		if r.File != "" {
			r.path, fresh = j.path("new", r.File), true
		}
	}
	if !fresh {
		return nil, nil
	}
	return paper.Raws, d.findArchived(j, s, paper.Raws)
}

// findArchived finds the archived raws among those to be played. If one was shelved and its
// disk is not connected the claimed ones go back to the inbox: its scan says which disk.
func (d *daemon) findArchived(j *job, s shelf, list []jobRaw) error {
	for i := range list {
		r := &list[i]
		if r.File != "" {
			continue
		}
		at := d.ws.archivedRaw(s.Book, r.recipeRaw)
		if r.path = at.path; at.away != "" {
			return errors.Join(errLost, d.unclaim(j))
		}
		if says, err := d.readable(at, r.recipeRaw); err != nil {
			return err
		} else if says != "" {
			return errors.New(says)
		}
	}
	return nil
}

// staysInside returns an error if a name in job.json would lead out of the folders.
func (p jobPaper) staysInside() error {
	var names []string
	for _, r := range slices.Concat(p.Raws, p.Known) {
		for _, name := range []string{r.File, r.ArchivedAs} {
			if name != "" { // of an archived raw, or of one that is not yet
				names = append(names, name)
			}
		}
	}
	return allPlain("job.json", names)
}

// arrange decides the playing order and writes it down.
func (d *daemon) arrange(j *job, s shelf) (jobPaper, error) {
	list, problem := order(j.members(), s.members())
	if problem == "" {
		problem = d.missing(s, list)
	}
	if problem != "" {
		return jobPaper{}, errors.Join(errLost, d.unclaim(j)) // a raw was taken out; the inbox scan says so
	}
	paper := jobPaper{Schema: "lectern-job/1"}
	for _, m := range list {
		r := jobRaw{File: m.File, recipeRaw: recipeRaw{
			Role: m.Role, Number: m.Number, Name: strings.ToValidUTF8(m.Name, "\ufffd"),
			NameHex: hex.EncodeToString([]byte(m.Name)), ArchivedAs: m.ArchivedAs, SHA256: m.SHA256,
		}}
		if m.File != "" {
			var err error
			if r.SHA256, _, err = d.store.Sum(j.path("new", m.File)); err != nil {
				return jobPaper{}, err
			}
			i := slices.IndexFunc(j.Raws, func(o origRaw) bool { return o.File == m.File })
			r.TakenUnfinished = j.Raws[i].TakenUnfinished
			if known, same := d.sameAsCurrent(s, r); same {
				known.File = r.File
				paper.Known = append(paper.Known, known)
				r = known
				r.File = ""
			}
		}
		paper.Raws = append(paper.Raws, r)
	}
	data, err := json.MarshalIndent(paper, "", " ")
	if err != nil {
		return jobPaper{}, fmt.Errorf("describe job: %w", err)
	}
	return paper, d.store.Write(j.path("job.json"), data, filePerm)
}

// sameAsCurrent finds the archived raw with the same name and the same bytes
// in the revision that lies in finished/.
func (d *daemon) sameAsCurrent(s shelf, r jobRaw) (jobRaw, bool) {
	if !s.HasFile || s.Current != s.Highest {
		return jobRaw{}, false
	}
	for _, a := range s.Raws {
		if a.SHA256 != r.SHA256 || Fold(fromHex(a.NameHex, a.Name)) != Fold(r.name()) {
			continue
		}
		sum, _, err := d.store.Sum(d.ws.archivedRaw(s.Book, a).path)
		return jobRaw{recipeRaw: a}, err == nil && sum == r.SHA256
	}
	return jobRaw{}, false
}

// dropKnown deletes copies of archived raws, each only after the archived bytes
// have been read and are the same.
func (d *daemon) dropKnown(j *job, s shelf, known []jobRaw) error {
	for _, r := range known {
		path := j.path("new", r.File)
		mine, _, err := d.store.Sum(path)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		at := d.ws.archivedRaw(s.Book, r.recipeRaw)
		if at.away != "" {
			return &waitError{diskPatience, "waiting, " + at.away}
		}
		archived, _, archivedErr := d.store.Sum(at.path)
		if err := errors.Join(err, archivedErr); err != nil {
			return err
		}
		if mine != archived {
			return errors.Join(errors.New("the archived recording has changed"), d.store.Remove(j.path("job.json")))
		}
		if err := d.store.Remove(path); err != nil {
			return err
		}
		d.log.Info(fmt.Sprintf("%s: the same recording is already finished (revision %d), nothing was made",
			Plain(r.name()), s.Current), about(j.Book, j.Chapter, r.name())...)
		d.tell(Event{Kind: Known, Book: j.Book, Chapter: j.Chapter, Raws: []string{r.name()}})
	}
	return nil
}

// missing asks for archived raws that the chapter needs and that are gone.
func (d *daemon) missing(s shelf, list []member) string {
	for _, m := range list {
		if m.ArchivedAs == "" {
			continue
		}
		at := d.ws.archivedRaw(s.Book, recipeRaw{ArchivedAs: m.ArchivedAs, SHA256: m.SHA256})
		if at.away != "" {
			return at.away + ". It goes on by itself then"
		}
		if _, err := os.Lstat(at.path); errors.Is(err, fs.ErrNotExist) {
			return fmt.Sprintf("the chapter also needs %s from the archive, which is not there any more; put it back, or drop all takes again",
				Plain(m.ArchivedAs))
		}
	}
	return ""
}

func (s shelf) members() (list []member) {
	for _, r := range s.Raws {
		list = append(list, r.member())
	}
	return list
}

func (j *job) members() (list []member) {
	for _, r := range j.Raws {
		list = append(list, member{Role: r.Role, Number: r.Number, Name: r.name(), File: r.File})
	}
	return list
}

func (j *job) names() (list []string) {
	for _, r := range j.Raws {
		list = append(list, r.name())
	}
	return list
}
