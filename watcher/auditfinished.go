package watcher

import (
	"fmt"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// finishedReport is what the watcher reads of a report in finished/.
type finishedReport struct {
	State    string `json:"state"`
	Revision int    `json:"revision"`
	Verdict  string `json:"verdict"`
	Raws     []struct {
		Role string `json:"role"`
	} `json:"raws"`
	Finished struct {
		SHA256      string `json:"sha256"`
		AudioSHA256 string `json:"audio_sha256"`
	} `json:"finished"`
	Before struct { // of the clip, if there is one
		SHA256 string `json:"sha256"`
	} `json:"before"`
	stem     string // of its name, where an audit reads it
	RoomTest struct {
		Text struct {
			SHA256 string `json:"sha256"`
		} `json:"text"`
	} `json:"room_test"`
}

func (r finishedReport) isRoomTest() bool {
	return len(r.Raws) > 0 && r.Raws[0].Role == roleRoomTest
}

// file returns the ending and the sum of the file a report tells of.
func (r finishedReport) file() (ending, sum string) {
	ending = endingMP3
	if r.isRoomTest() {
		ending = endingText
	}
	if r.RoomTest.Text.SHA256 != "" {
		return ending, r.RoomTest.Text.SHA256
	}
	return ending, r.Finished.SHA256
}

// earlierName matches a file of superseded/.
var earlierName = regexp.MustCompile(`(?s)^(.+)\.r([0-9]{1,9})(-[0-9]+)?$`)

// foundName matches what displaced puts into superseded/.
var foundName = regexp.MustCompile(`(?s)\.found(-[0-9]+)?\.[a-z0-9]+$`)

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
	if err := a.clips(book, current, recipes); err != nil {
		return err
	}
	if err := a.handovers(book); err != nil {
		return err
	}
	for stem, list := range recipes {
		if _, there := current[stem]; there {
			continue
		}
		newest := list[len(list)-1]
		name := path.Join("finished", book, newest.stem)
		again := toRemake(book, newest.stem, 0) + " brings it back"
		if newest.isRoomTest() {
			again = toMeasureAgain
		}
		state := earlier[fmt.Sprintf("%s.r%d", stem, newest.revision)].State
		switch {
		case state == stateWithdrawn, state != "" && newest.isRoomTest(): // whose report stays as it is
			a.note("withdrawn", book, name, "it was withdrawn or renamed; %s", again)
		case state != "":
			a.wrong("no_current", book, name, "its newest revision lies in superseded and not in finished; %s", again)
		default:
			a.note("taken_away", book, name, "its finished file was taken away; %s", again)
		}
	}
	return nil
}

// pairs checks the reports and finished files in one folder and returns the reports
// by folded stem, an empty one where there is a file without.
func (a *auditor) pairs(book, sub string, recipes map[string][]recipeAt) (map[string]finishedReport, error) {
	dir := filepath.Join(a.ws.Finished, book, sub)
	at := func(name string) string { return path.Join("finished", book, sub, name) }
	var folders, known []string
	if sub == "" {
		folders, known = foldersBeside(book), append(slices.Clone(filesBeside(book)), diaryFile)
	}
	names, err := a.list(dir, at(""), book, folders...)
	if err != nil {
		return nil, err
	}
	names = slices.DeleteFunc(names, func(name string) bool { return slices.Contains(known, name) })
	reports := map[string]finishedReport{}
	told := map[string]bool{} // names that a report tells of
	for _, name := range names {
		if path.Ext(name) != ".json" || foundName.MatchString(name) {
			continue
		}
		var r finishedReport
		found := a.paper(book, at(name), filepath.Join(dir, name), &r)
		if found == gone {
			continue
		}
		stem := strings.TrimSuffix(name, ".json")
		told[name] = true
		ending, want := r.file()
		if found == unreadable || found == otherwise || r.Revision < 1 || want == "" {
			if found != unreadable {
				a.wrong("bad_report", book, at(name), "it cannot be read as a report; delete it%s", toWriteAgain("; then ", book, sub, stem, recipes))
			}
			reports[Fold(stem)] = finishedReport{}
			told[stem+endingMP3], told[stem+endingText], told[stem+pleaseRead] = true, true, true
			continue
		}
		a.out.LookedAt.Finished++
		r.stem = stem
		reports[Fold(stem)] = r
		told[stem+ending], told[stem+pleaseRead] = true, sub == "" && r.Verdict != "pass"
		chapter := stem
		if sub != "" {
			m := earlierName.FindStringSubmatch(stem)
			if m == nil {
				a.wrong("stray", book, at(name), "its name does not tell which revision it is; move it elsewhere")
				continue
			}
			chapter = m[1]
		}
		again := againOf(book, chapter, sub != "", r)
		if err := a.pair(book, at(stem), filepath.Join(dir, stem), ending, want, again); err != nil {
			return nil, err
		}
		a.revision(book, at(stem), sub != "", r, recipes[Fold(chapter)])
	}
	for _, name := range names {
		ending := path.Ext(name)
		stem := strings.TrimSuffix(name, ending)
		_, isKnown := recipes[Fold(stem)]
		switch {
		case told[name]:
		case strings.HasSuffix(name, pleaseRead):
			a.wrong("stray", book, at(name), "this note is about nothing that lies here any more; delete it")
		case sub != "" && foundName.MatchString(name):
			a.note("kept_aside", book, at(name), "it lay in finished under the name of a chapter, but was not what had been made of it; delete it if you do not need it")
		case sub == "" && isKnown && (ending == endingMP3 || ending == endingText):
			a.wrong("no_report", book, at(name), "its report is gone%s", toWriteAgain("; ", book, sub, stem, recipes))
			reports[Fold(stem)] = finishedReport{}
		case ending == endingMP3, ending == endingText && sub != "":
			a.wrong("no_report", book, at(name), "no report tells of it; move it elsewhere, or delete it if you do not need it")
		default:
			a.strayFile(book, at(name))
		}
	}
	return reports, nil
}

// againOf says how a finished file is had again.
func againOf(book, stem string, earlier bool, r finishedReport) string {
	switch {
	case r.isRoomTest():
		return toMeasureAgain
	case earlier:
		return toRemake(book, stem, r.Revision) + " makes it again, as the newest"
	}
	return toRemake(book, stem, 0) + " brings it back"
}

// toMeasureAgain is what is left to do about a room test, which is never made again.
const toMeasureAgain = "drop its recording into the inbox if you want it measured again"

// toWriteAgain says, behind another sentence, how a current report is had again.
func toWriteAgain(joint, book, sub, stem string, recipes map[string][]recipeAt) string {
	list := recipes[Fold(stem)]
	switch {
	case sub != "" || len(list) == 0:
		return ""
	case list[len(list)-1].isRoomTest():
		return joint + toMeasureAgain
	}
	return joint + toRemake(book, stem, 0) + " writes it again"
}

// pair checks the file a report tells of.
func (a *auditor) pair(book, name, stem, ending, want, again string) error {
	found, err := a.compare(book, name+ending, stem+ending, want)
	switch {
	case found == gone && exists(stem+".json"):
		a.note("taken_away", book, name+ending, "its report is there, but the file was taken away; %s", again)
	case found == otherwise:
		a.wrong("changed_finished", book, name+ending, "it is not the file its report tells of: it was changed or damaged. Move it elsewhere; then %s", again)
	}
	return err
}

// revision checks that the archive knows the revision of a report.
func (a *auditor) revision(book, name string, earlier bool, r finishedReport, recipes []recipeAt) {
	for i, known := range recipes {
		if known.revision != r.Revision {
			continue
		}
		if newest := recipes[len(recipes)-1]; !earlier && i < len(recipes)-1 {
			a.wrong("not_newest", book, name, "revision %d is finished, but the newest is %d; move this one elsewhere with its report, and %s",
				r.Revision, newest.revision, againOf(book, newest.stem, false, r))
		}
		return
	}
	a.wrong("no_recipe", book, name, "the archive holds no recipe of its revision %d, so it cannot be made again; "+
		"put your second copy of the recipe back, or drop the recordings into the inbox again", r.Revision)
}
