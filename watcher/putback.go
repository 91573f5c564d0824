package watcher

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"reflect"
	"time"
)

// asBefore tells whether what was made is the newest revision, and that revision is not
// kept elsewhere: it is the same to the bit, as it was made or as its words were written
// anew since, or its recipe would differ in nothing but the sum of the words.
func (d *daemon) asBefore(j *job, s shelf, list []jobRaw, made Made) (bool, error) {
	kept := filepath.Join(d.ws.Finished, s.Book, "superseded", fmt.Sprintf("%s.r%d%s", s.Stem, s.Recipe, s.Ending))
	if s.MadeSHA256 == "" || s.Recipe != s.Highest || exists(kept) {
		return false, nil
	}
	if j.Ask.Kind == Remake { // of a sample, what was asked may be other than what its recipe says
		if s.MadeSHA256 == made.SHA256 {
			return true, nil
		}
		r, err := d.retagged(s)
		if err != nil {
			return false, err
		}
		if _, sum := r.file(); sum == made.SHA256 {
			return true, nil
		}
	}
	papers, err := made.Papers(s.Recipe, archivedNames(list))
	if err != nil {
		return false, fmt.Errorf("write report: %w", err)
	}
	text, err := ReadPaper(d.recipePath(s, s.Recipe))
	if err != nil {
		return false, fmt.Errorf("read recipe: %w", err)
	}
	return s.AudioSHA256 != "" && sameButWords(text, papers.Recipe), nil
}

// sameButWords tells whether two recipes are the same but for the words in the MP3, and
// for what led to making it.
func sameButWords(a, b []byte) bool {
	strip := func(text []byte) (r map[string]any) {
		if json.Unmarshal(text, &r) != nil {
			return nil
		}
		delete(r, "origin")
		if f, ok := r["finished"].(map[string]any); ok {
			delete(f, "sha256")
			delete(f, "bytes")
		}
		return r
	}
	x, y := strip(a), strip(b)
	return x != nil && reflect.DeepEqual(x, y)
}

// retagged reads the report in finished/ if it is that of the newest recipe's revision,
// with the same sound; its sums may be others if the words were written anew.
func (d *daemon) retagged(s shelf) (finishedReport, error) {
	var r finishedReport
	err := readJSON(filepath.Join(d.ws.Finished, s.Book, s.Stem+".json"), &r)
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, errNotJSON), errors.Is(err, ErrNotRegular):
		return finishedReport{}, nil
	case err != nil:
		return finishedReport{}, fmt.Errorf("read report: %w", err)
	case r.Revision != s.Recipe, r.Finished.AudioSHA256 == "", r.Finished.AudioSHA256 != s.AudioSHA256:
		return finishedReport{}, nil
	}
	return r, nil
}

func archivedNames(list []jobRaw) (names []string) {
	for _, r := range list {
		names = append(names, r.ArchivedAs)
	}
	return names
}

// lacksParts tells whether a report has not all the parts that one has which is written
// today: an earlier version of the program told less.
func lacksParts(old, fresh []byte) bool {
	var has, wants map[string]json.RawMessage
	if json.Unmarshal(old, &has) != nil || json.Unmarshal(fresh, &wants) != nil {
		return false
	}
	for part := range wants {
		if _, there := has[part]; !there {
			return true
		}
	}
	return false
}

// planPutBack gives the newest revision back what is missing of it, and the words it
// would have now. A file under its name that is another moves aside.
func (d *daemon) planPutBack(j *job, s shelf, list []jobRaw, made Made, took time.Duration) (plan, error) {
	if err := d.unchanged(j, list, made); err != nil {
		return plan{}, err
	}
	papers, err := made.Papers(s.Recipe, archivedNames(list))
	if err != nil {
		return plan{}, fmt.Errorf("write report: %w", err)
	}
	p := plan{
		Schema: "lectern-plan/1", State: stateFinished, Did: "unchanged", Revision: s.Recipe,
		Verdict: papers.Verdict, Says: papers.Says, TookS: took.Seconds(),
		Missed: papers.Missed, RawsS: papers.RawsS, FinishedS: papers.FinishedS,
	}
	there, err := d.retagged(s)
	if err != nil {
		return plan{}, err
	}
	if err := d.putBackFile(&p, j, s, made, there); err != nil {
		return plan{}, err
	}
	if err := d.putBackPapers(&p, j, s, made, papers, there); err != nil {
		return plan{}, err
	}
	if len(p.Steps) == 0 {
		return p, nil
	}
	return d.writePlan(j, p)
}

// putBackFile plans to give the finished file back, or the words it would have now. there
// is the report that lies beside it.
func (d *daemon) putBackFile(p *plan, j *job, s shelf, made Made, there finishedReport) error {
	file := place{"finished", path.Join(s.Book, s.Stem+s.Ending)}
	sum, _, err := d.store.Sum(d.ws.at(file, ""))
	if ignoreMissing(err) != nil {
		return err
	}
	from, err := jobFile(j, made.File)
	if err != nil || sum == made.SHA256 {
		return err
	}
	back := step{From: from, To: file, SHA256: made.SHA256}
	p.Did = "put back"
	switch _, told := there.file(); sum {
	case "":
	case told, s.MadeSHA256: // the same sound under other words
		p.Did, back.Replaces = didRetag, sum
	default: // no revision of ours, and never to be taken for one
		p.Steps = append(p.Steps, step{From: file, To: d.displaced(file), SHA256: sum})
	}
	p.Steps = append(p.Steps, back)
	return nil
}

// putBackPapers plans to give the texts and the clip back that lie beside a finished file,
// the report also where it tells of other words, of another clip, or less.
func (d *daemon) putBackPapers(p *plan, j *job, s shelf, made Made, papers Papers, there finishedReport) error {
	name := func(ending string) place { return place{"finished", path.Join(s.Book, s.Stem+ending)} }
	_, told := there.file()
	stale := told != "" && (told != made.SHA256 || there.Before.SHA256 != made.BesideSHA256)
	if told != "" && !stale {
		text, err := ReadPaper(d.ws.at(name(".json"), ""))
		if err != nil {
			return fmt.Errorf("read report: %w", err)
		}
		stale = lacksParts(text, papers.Report)
	}
	var err error
	switch {
	case !exists(d.ws.at(name(".json"), "")):
		p.Did = "put back"
		err = d.paper(p, j, paperReport, papers.Report, name(".json"))
	case stale:
		if p.Did == "unchanged" {
			p.Did = "its report was written anew"
		}
		err = d.replaceReport(p, j, papers, name(".json"))
	}
	if err != nil {
		return err
	}
	if stale {
		err = d.note(p, j, papers, name)
	} else if papers.PleaseRead != nil && !exists(d.ws.at(name(pleaseRead), "")) {
		err = d.paper(p, j, paperPleaseRead, papers.PleaseRead, name(pleaseRead))
	}
	if err != nil || d.clipHeld(clipAt(s)) != "" {
		return err
	}
	sum, _, err := d.store.Sum(d.ws.at(clipAt(s), ""))
	if ignoreMissing(err) != nil || sum == made.BesideSHA256 {
		return ignoreMissing(err)
	}
	if p.Did == "unchanged" {
		p.Did = "put back"
	}
	return d.replaceClip(p, j, s, made)
}
