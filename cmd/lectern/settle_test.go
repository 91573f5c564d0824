package main

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lectern/pipeline/report"
	"lectern/pipeline/takes"
	"lectern/watcher"
)

// A later answer takes the place of an earlier one about the same passage, which may be
// found a tenth of a second away, and of no other.
func TestWithAnswers(t *testing.T) {
	first := report.Answer{RawSHA256: "a", FromS: 10, AgainS: 12, Cut: true}
	for _, c := range []struct {
		later    report.Answer
		replaces bool
	}{
		{report.Answer{RawSHA256: "a", FromS: 10, AgainS: 12}, true},
		{report.Answer{RawSHA256: "a", FromS: 10.09, AgainS: 11.91}, true},
		{report.Answer{RawSHA256: "a", FromS: 10.11, AgainS: 12}, false},
		{report.Answer{RawSHA256: "a", FromS: 10, AgainS: 11.89}, false},
		{report.Answer{RawSHA256: "b", FromS: 10, AgainS: 12}, false},
	} {
		want := []report.Answer{first, c.later}
		if c.replaces {
			want = want[1:]
		}
		if got := withAnswers([]report.Answer{first}, []report.Answer{c.later}); !slices.Equal(got, want) {
			t.Errorf("%+v over %+v gives %+v", c.later, first, got)
		}
	}
}

// Of a passage that is in the finished file no more, the recording tells the place.
func TestAnswersToWhatIsCutAway(t *testing.T) {
	r := report.Report{Chapter: "03 The Ferry", Raws: []report.Raw{{SHA256: "a"}, {SHA256: "b", Name: "03 The Ferry take 2.wav"}}}
	r.Retakes = []report.Retake{{Number: 1, State: takes.Marked, Raw: 1, FromS: 75.25, AgainS: 80}, {Number: 2, State: takes.Asked, Raw: 2}}
	got, did, err := answersTo(r, []int{1}, false)
	want := []report.Answer{{RawSHA256: "b", FromS: 75.25, AgainS: 80}}
	if err != nil || !slices.Equal(got, want) || did != "kept what seems read twice at 1:15 of 03 The Ferry take 2.wav" {
		t.Errorf("%+v, %q, %v", got, did, err)
	}
	if got, _, err := answersTo(r, []int{2}, true); err == nil || !strings.Contains(err.Error(), "of a recording it does not name") {
		t.Errorf("of no recording: %+v, %v", got, err)
	}
}

// What was answered is read from the recipe; where that is damaged or gone, from the
// report; and where the disk fails, not taken for nothing.
func TestAnswersSoFar(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	answer := func(sum string) string {
		return `"answers": [{"raw_sha256": "` + sum + `", "from_s": 1, "again_s": 2, "cut": true}]`
	}
	recipe := file("r1.recipe.json", `{"raws": [{"role": "take"}], `+answer("recipe")+`}`)
	rep := file("report.json", `{"recipe": {`+answer("report")+`}}`)
	damaged := file("r2.recipe.json", `{"raws": [`)
	none := filepath.Join(dir, "none")
	for _, c := range []struct{ recipe, before, want string }{
		{recipe, rep, "recipe"}, {damaged, rep, "report"}, {none, rep, "report"}, {none, none, ""},
	} {
		got, err := answersSoFar(watcher.Job{Recipe: c.recipe, Before: c.before})
		if err != nil || len(got) > 1 || (len(got) == 1) != (c.want != "") || c.want != "" && got[0].RawSHA256 != c.want {
			t.Errorf("of %s and %s: %+v, %v, want %q", filepath.Base(c.recipe), filepath.Base(c.before), got, err, c.want)
		}
	}
	var disk *fs.PathError // a file where a folder should be
	if got, err := answersSoFar(watcher.Job{Recipe: filepath.Join(rep, "r1.recipe.json"), Before: rep}); !errors.As(err, &disk) {
		t.Errorf("of a disk that fails: %+v, %v", got, err)
	}
}
