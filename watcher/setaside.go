package watcher

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"strings"
	"time"
)

// setAsideReport is NAME.json beside a raw that was set aside: the keys of a
// chapter's report as far as they are known.
type setAsideReport struct {
	Schema  string        `json:"schema"`
	State   string        `json:"state"`
	Book    string        `json:"book"`
	Chapter string        `json:"chapter"`
	MadeAt  string        `json:"made_at"`
	Raws    []setAsideRaw `json:"raws"`
	Says    string        `json:"says"`
}

type setAsideRaw struct {
	Role    string `json:"role"`
	Number  int    `json:"number"`
	Name    string `json:"name"`
	NameHex string `json:"name_hex"`
	SHA256  string `json:"sha256"`
}

// setAside files a job's raws where they wait for the narrator. The newest
// entry has the plain name; earlier ones move to superseded/.
func (d *daemon) setAside(ctx context.Context, j *job, says string) error {
	if err := j.tidy(); err != nil {
		return err
	}
	says = Plain(says) // it may quote what somebody wrote into a file
	book, stem := outStem(j.Book), asideStem(j)
	p := plan{Schema: "lectern-plan/1", State: stateSetAside, Says: says}
	at := func(name string) place { return place{"setaside", path.Join(book, name)} }
	report := setAsideReport{
		Schema: "lectern-report/1", State: stateSetAside, MadeAt: time.Now().UTC().Format(time.RFC3339),
		Book: strings.ToValidUTF8(j.Book, "\ufffd"), Chapter: strings.ToValidUTF8(j.Chapter, "\ufffd"), Says: says,
	}
	var moves []step
	for _, r := range j.Raws {
		sum, _, err := d.store.Sum(j.path("new", r.File))
		if err != nil {
			return err
		}
		report.Raws = append(report.Raws, setAsideRaw{
			Role: r.Role, Number: r.Number, Name: strings.ToValidUTF8(r.name(), "\ufffd"),
			NameHex: hex.EncodeToString([]byte(r.name())), SHA256: sum,
		})
		to := at(outStem(stemOf(r.name())) + ".wav")
		if err := d.earlier(&p, to); err != nil {
			return err
		}
		moves = append(moves, step{
			From: place{"job", "new/" + r.File}, To: to, SHA256: sum, Raw: true, Look: j.looks[r.File], Vital: true,
		})
	}
	if err := d.earlier(&p, at(stem+".json")); err != nil {
		return err
	}
	if err := d.removeText(&p, at(stem+pleaseRead)); err != nil {
		return err
	}
	data, err := json.MarshalIndent(report, "", "  ")
	if err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	if err := d.paper(&p, j, paperReport, append(data, '\n'), at(stem+".json")); err != nil {
		return err
	}
	text := fmt.Sprintf("%s was set aside, and nothing was made of it.\n\n%s\n\n"+
		"The recording itself is unchanged; it lies beside this note.\n"+
		"When this is put right, drop the recording into the inbox again under the same name.\n",
		Plain(strings.Join(j.names(), ", ")), says)
	if err := d.paper(&p, j, paperPleaseRead, []byte(text), at(stem+pleaseRead)); err != nil {
		return err
	}
	p.Steps = append(p.Steps, moves...)
	if p, err = d.writePlan(j, p); err != nil {
		return err
	}
	return d.carryOut(ctx, j, p)
}

// asideStem names a set-aside entry: by its raw, or by its chapter if it has
// several.
func asideStem(j *job) string {
	if len(j.Raws) == 1 {
		return outStem(stemOf(j.Raws[0].name()))
	}
	return outStem(j.Chapter)
}

// earlier plans to move an entry of the same name out of the way.
func (d *daemon) earlier(p *plan, at place) error {
	sum, _, err := d.store.Sum(d.ws.at(at, ""))
	if err != nil {
		return ignoreMissing(err)
	}
	dir, name := path.Split(at.Path)
	ending := path.Ext(name)
	for n := 1; ; n++ {
		to := place{at.In, path.Join(dir, "superseded", fmt.Sprintf("%s.%d%s", strings.TrimSuffix(name, ending), n, ending))}
		if !exists(d.ws.at(to, "")) {
			p.Steps = append(p.Steps, step{From: at, To: to, SHA256: sum})
			return nil
		}
	}
}

// solved plans to take away the notes of earlier tries that were set aside. A
// recording that still lies there stays, with its report: it is named in the
// log, and only its owner deletes it.
func (d *daemon) solved(p *plan, j *job, s shelf) error {
	stems := []string{s.Stem}
	for _, r := range j.Raws {
		if stem := outStem(stemOf(r.name())); stem != s.Stem {
			stems = append(stems, stem)
		}
	}
	book := outStem(j.Book)
	for _, stem := range stems {
		at := func(ending string) place { return place{"setaside", path.Join(book, stem+ending)} }
		if err := d.removeText(p, at(pleaseRead)); err != nil {
			return err
		}
		var report setAsideReport
		err := readJSON(d.ws.at(at(".json"), ""), &report)
		if errors.Is(err, fs.ErrNotExist) || errors.Is(err, errNotJSON) {
			continue
		}
		if err != nil {
			return err
		}
		if kept := d.stillAside(book, report); kept != "" {
			d.log.Info(fmt.Sprintf("%s: an earlier recording of this name still lies in setaside; it is kept", Plain(kept)),
				about(j.Book, j.Chapter, kept)...)
			continue
		}
		if err := d.removeText(p, at(".json")); err != nil {
			return err
		}
	}
	return nil
}

// stillAside returns the name of a raw of a report that still lies beside it.
func (d *daemon) stillAside(book string, report setAsideReport) string {
	for _, r := range report.Raws {
		name := outStem(stemOf(fromHex(r.NameHex, r.Name))) + ".wav"
		if exists(filepath.Join(d.ws.SetAside, book, name)) {
			return name
		}
	}
	return ""
}
