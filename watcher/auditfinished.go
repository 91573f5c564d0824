package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"regexp"
	"strings"
)

// finishedReport is what an audit reads of a report in finished/.
type finishedReport struct {
	State    string `json:"state"`
	Revision int    `json:"revision"`
	Verdict  string `json:"verdict"`
	Raws     []struct {
		Role string `json:"role"`
	} `json:"raws"`
	Finished struct {
		SHA256 string `json:"sha256"`
	} `json:"finished"`
	RoomTest struct {
		Text struct {
			SHA256 string `json:"sha256"`
		} `json:"text"`
	} `json:"room_test"`
}

// file returns the ending and the sum of the file a report tells of.
func (r finishedReport) file() (ending, sum string) {
	if len(r.Raws) > 0 && r.Raws[0].Role == roleRoomTest {
		ending = endingText
	} else {
		ending = endingMP3
	}
	if r.RoomTest.Text.SHA256 != "" {
		return ending, r.RoomTest.Text.SHA256
	}
	return ending, r.Finished.SHA256
}

// earlierName matches a file of superseded/.
var earlierName = regexp.MustCompile(`(?s)^(.+)\.r([0-9]{1,9})(-[0-9]+)?$`)

// finished checks one book's folder in finished/, and its earlier revisions.
func (a *auditor) finished(book string, recipes map[string][]recipeAt) error {
	current, err := a.pairs(book, "", recipes)
	if err != nil {
		return err
	}
	earlier, err := a.pairs(book, "superseded", recipes)
	if err != nil {
		return err
	}
	for stem, list := range recipes {
		if _, there := current[stem]; there {
			continue
		}
		newest := list[len(list)-1]
		name := path.Join("finished", book, newest.Chapter)
		again := fmt.Sprintf("lectern remake %q %q brings it back", newest.Book, newest.Chapter)
		if newest.Book == "" {
			again = fmt.Sprintf("lectern remake %q brings it back", newest.Chapter)
		}
		state := earlier[fmt.Sprintf("%s.r%d", stem, newest.revision)].State
		switch {
		case state == stateWithdrawn:
			a.note("withdrawn", book, name, "it was withdrawn or renamed; %s", again)
		case state != "":
			a.wrong("no_current", book, name, "its newest revision lies in superseded, and none is finished; %s", again)
		default:
			a.note("taken_away", book, name, "its finished file was taken away; %s", again)
		}
	}
	return nil
}

// pairs checks the reports and finished files in one folder and returns the reports
// by folded stem.
func (a *auditor) pairs(book, sub string, recipes map[string][]recipeAt) (map[string]finishedReport, error) {
	in := filepath.Join(book, sub)
	var folders []string
	if sub == "" {
		folders = []string{"superseded"}
	}
	names, err := a.list(a.ws.Finished, in, book, folders...)
	if err != nil {
		return nil, err
	}
	dir := filepath.Join(a.ws.Finished, in)
	at := func(name string) string { return path.Join("finished", book, sub, name) }
	reports := map[string]finishedReport{}
	told := map[string]bool{} // names that a report tells of
	for _, name := range names {
		if path.Ext(name) != ".json" {
			continue
		}
		var r finishedReport
		err := readJSON(filepath.Join(dir, name), &r)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil && !errors.Is(err, errNotJSON) {
			return nil, err
		}
		told[name] = true
		ending, want := r.file()
		if err != nil || r.Revision < 1 || want == "" {
			a.wrong("bad_report", book, at(name), "it cannot be read as a report")
			continue
		}
		a.out.LookedAt.Finished++
		stem := strings.TrimSuffix(name, ".json")
		reports[Fold(stem)] = r
		told[stem+ending], told[stem+pleaseRead] = true, sub == "" && r.Verdict != "pass"
		if err := a.pair(book, at(stem), filepath.Join(dir, stem), ending, want); err != nil {
			return nil, err
		}
		a.revision(book, at(stem), stem, sub != "", r, recipes)
	}
	for _, name := range names {
		switch {
		case told[name]:
		case strings.HasSuffix(name, endingMP3), strings.HasSuffix(name, endingText) && !strings.HasSuffix(name, pleaseRead) && sub != "":
			a.wrong("no_report", book, at(name), "no report lies beside it; if it is none of this program's, move it elsewhere")
		case strings.HasSuffix(name, pleaseRead):
			a.wrong("stray", book, at(name), "this note is about nothing that lies here any more; delete it")
		default:
			a.wrong("stray", book, at(name), "it is no file of this program's; move it elsewhere")
		}
	}
	return reports, nil
}

// pair checks the file a report tells of.
func (a *auditor) pair(book, name, stem, ending, want string) error {
	sum, err := a.sum(stem + ending)
	switch {
	case err != nil:
		return err
	case sum == "" && exists(stem+".json"):
		a.note("taken_away", book, name+ending, "its report is there, but the file was taken away; lectern remake brings it back")
	case sum != "" && sum != want:
		a.wrong("changed_finished", book, name+ending, "it is not the file its report tells of: it was changed or damaged. lectern remake puts the right one back")
	}
	return nil
}

// revision checks that the archive knows the revision of a report.
func (a *auditor) revision(book, name, stem string, earlier bool, r finishedReport, recipes map[string][]recipeAt) {
	if earlier {
		m := earlierName.FindStringSubmatch(stem)
		if m == nil {
			a.wrong("stray", book, name+".json", "its name tells no revision")
			return
		}
		stem = m[1]
	}
	list := recipes[Fold(stem)]
	for i, known := range list {
		if known.revision != r.Revision {
			continue
		}
		if newest := i == len(list)-1; !earlier && !newest {
			a.wrong("not_newest", book, name, "revision %d is finished, but the archive holds revision %d", r.Revision, list[len(list)-1].revision)
		}
		return
	}
	a.wrong("no_recipe", book, name, "the archive holds no recipe of its revision %d, so it cannot be made again", r.Revision)
}

// setAside checks one book's folder in setaside/.
func (a *auditor) setAside(book string) error {
	names, err := a.list(a.ws.SetAside, book, book, "superseded")
	if err != nil {
		return err
	}
	at := func(name string) string { return path.Join("setaside", book, name) }
	told := map[string]bool{}
	for _, name := range names {
		if path.Ext(name) != ".json" {
			continue
		}
		var r setAsideReport
		err := readJSON(filepath.Join(a.ws.SetAside, book, name), &r)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil && !errors.Is(err, errNotJSON) {
			return err
		}
		told[name] = true
		if err != nil || r.State != stateSetAside {
			a.wrong("bad_report", book, at(name), "it cannot be read as a report")
			continue
		}
		told[strings.TrimSuffix(name, ".json")+pleaseRead] = true
		for _, raw := range r.Raws {
			file := outStem(stemOf(fromHex(raw.NameHex, raw.Name))) + ".wav"
			told[file] = true
			a.out.LookedAt.Raws++
			sum, err := a.sum(filepath.Join(a.ws.SetAside, book, file))
			if err != nil {
				return err
			}
			switch sum {
			case raw.SHA256:
			case "":
				a.note("taken_away", book, at(file), "this recording was set aside and taken away since")
			default:
				a.wrong("changed_raw", book, at(file), "the recording is not the one that was set aside")
			}
		}
	}
	for _, name := range names {
		switch {
		case told[name]:
		case kindOf(name) == wav:
			a.wrong("unnamed_raw", book, at(name), "no report tells why this recording was set aside; drop it into the inbox again")
		default:
			a.wrong("stray", book, at(name), "it is no file of this program's; move it elsewhere")
		}
	}
	return nil
}
