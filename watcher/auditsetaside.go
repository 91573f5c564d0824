package watcher

import (
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// asideRaw is a recording that reports in setaside/ tell of. One that was set aside
// several times is told of by several reports.
type asideRaw struct {
	sums []string
	// file is its name beside a report that says it lies there; "" for an earlier one.
	file string
}

// earlierAside matches what lies in setaside/BOOK/superseded/, without its ending.
var earlierAside = regexp.MustCompile(`(?s)^(.+)\.[0-9]{1,9}$`)

// setAside checks one book's folder in setaside/, and the earlier entries below it.
func (a *auditor) setAside(book string) error {
	at := path.Join("setaside", book)
	dir := filepath.Join(a.ws.SetAside, book)
	names, err := a.list(dir, at, book, "superseded")
	if err != nil {
		return err
	}
	earlier, err := a.list(filepath.Join(dir, "superseded"), path.Join(at, "superseded"), book)
	if err != nil {
		return err
	}
	raws := map[string]asideRaw{} // by the folded stem
	a.asideReports(book, dir, at, names, raws)
	a.asideReports(book, filepath.Join(dir, "superseded"), path.Join(at, "superseded"), earlier, raws)
	for _, name := range names {
		stem := strings.TrimSuffix(name, path.Ext(name))
		switch {
		case path.Ext(name) == ".json": // checked above
		case strings.HasSuffix(name, pleaseRead):
			if report := strings.TrimSuffix(name, pleaseRead) + ".json"; !slices.Contains(names, report) {
				a.wrong("stray", book, path.Join(at, name), "this note is about nothing that lies here any more; delete it")
			}
		case kindOf(name) == wav:
			if err := a.asideRaw(book, filepath.Join(dir, name), path.Join(at, name), raws[Fold(stem)].sums); err != nil {
				return err
			}
		default:
			a.strayFile(book, path.Join(at, name))
		}
	}
	for _, raw := range raws {
		if raw.file != "" && !exists(filepath.Join(dir, raw.file)) {
			a.note("taken_away", book, path.Join(at, raw.file), "this recording was set aside and taken away since")
		}
	}
	for _, name := range earlier {
		m := earlierAside.FindStringSubmatch(strings.TrimSuffix(name, path.Ext(name)))
		switch {
		case path.Ext(name) == ".json":
		case m != nil && kindOf(name) == wav:
			err := a.asideRaw(book, filepath.Join(dir, "superseded", name), path.Join(at, "superseded", name), raws[Fold(m[1])].sums)
			if err != nil {
				return err
			}
		default:
			a.strayFile(book, path.Join(at, "superseded", name))
		}
	}
	return nil
}

// asideReports reads the reports among some names.
func (a *auditor) asideReports(book, dir, at string, names []string, raws map[string]asideRaw) {
	for _, name := range names {
		if path.Ext(name) != ".json" {
			continue
		}
		var r setAsideReport
		switch found := a.paper(book, path.Join(at, name), filepath.Join(dir, name), &r); {
		case found == gone, found == unreadable:
			continue
		case found == otherwise, r.State != stateSetAside:
			a.wrong("bad_report", book, path.Join(at, name), "it cannot be read as a report; move it elsewhere, and drop its recording into the inbox again")
			continue
		}
		for _, raw := range r.Raws {
			stem := outStem(stemOf(fromHex(raw.NameHex, raw.Name)))
			known := raws[Fold(stem)]
			known.sums = append(known.sums, raw.SHA256)
			if path.Base(at) != "superseded" {
				known.file = stem + ".wav"
			}
			raws[Fold(stem)] = known
		}
	}
}

// asideRaw checks one recording. sums are those that reports tell of.
func (a *auditor) asideRaw(book, file, name string, sums []string) error {
	if len(sums) == 0 {
		a.wrong("unnamed_raw", book, name, "no report tells why this recording was set aside; drop it into the inbox again")
		return nil
	}
	a.out.LookedAt.Raws++
	found, err := a.compare(book, name, file, sums...)
	if found == otherwise {
		a.wrong("changed_raw", book, name, "the recording is not the one that was set aside; put your second copy in its place, or drop it into the inbox again")
	}
	return err
}

// strayFile tells of a file that is none of the program's.
func (a *auditor) strayFile(book, name string) {
	a.wrong("stray", book, name, "it is no file of this program's; move it elsewhere")
}
