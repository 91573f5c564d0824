package main

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lectern/config"
	"lectern/pipeline"
	"lectern/pipeline/report"
	"lectern/pipeline/takes"
	"lectern/watcher"
)

func TestSortName(t *testing.T) {
	settings := config.Default()
	settings.Names.Take = "NAME T N"
	h := newHands(nil, settings, nil, nil)
	for name, want := range map[string]watcher.Sorted{
		"03 The Ferry.wav":                   {Chapter: "03 The Ferry", Key: "03 the ferry", Role: "chapter"},
		"03 The Ferry T2.wav":                {Chapter: "03 The Ferry", Key: "03 the ferry", Role: "take", Number: 2},
		"03 The Ferry take 2.wav":            {Chapter: "03 The Ferry take 2", Key: "03 the ferry take 2", Role: "chapter"},
		"03 The Ferry pickup 1.wav":          {Chapter: "03 The Ferry", Key: "03 the ferry", Role: "pickup", Number: 1},
		"03 The Ferry pickup 2 at 1m05.wav":  {Chapter: "03 The Ferry", Key: "03 the ferry", Role: "pickup", Number: 2},
		"03 The Ferry pickup 2 at 1m05.json": {Chapter: "03 The Ferry", Key: "03 the ferry", Role: "pickup", Number: 2},
	} {
		if got := h.sortName("", name); got != want {
			t.Errorf("sortName(%q) = %+v, want %+v", name, got, want)
		}
	}
	if got := h.sortName("", "03 The Ferry T2 (1).wav"); got.CopyOf != "03 The Ferry" || !strings.Contains(got.Says, "named like a copy") {
		t.Errorf("a copy: %+v", got)
	}
}

// Raws given to master come in playing order, and a pickup knows its place.
func TestGroupRaws(t *testing.T) {
	got := groupRaws(takes.NewNames(config.Default().Names), []string{
		"in/04 Ebb.wav", "in/03 The Ferry pickup 1 at 12m34.wav", "in/03 The Ferry take 2.wav", "in/03 the ferry take 1.wav",
	}, "out")
	want := []piece{
		{dir: "out", chapter: "04 Ebb", raws: []pipeline.Raw{{Path: "in/04 Ebb.wav", Name: "04 Ebb.wav", Role: "chapter", AtS: -1}}},
		{dir: "out", chapter: "03 The Ferry", raws: []pipeline.Raw{
			{Path: "in/03 the ferry take 1.wav", Name: "03 the ferry take 1.wav", Role: "take", Number: 1, AtS: -1},
			{Path: "in/03 The Ferry take 2.wav", Name: "03 The Ferry take 2.wav", Role: "take", Number: 2, AtS: -1},
			{
				Path: "in/03 The Ferry pickup 1 at 12m34.wav", Name: "03 The Ferry pickup 1 at 12m34.wav",
				Role: "pickup", Number: 1, AtS: 754,
			},
		}},
	}
	same := func(a, b piece) bool { return a.dir == b.dir && a.chapter == b.chapter && slices.Equal(a.raws, b.raws) }
	if !slices.EqualFunc(got, want, same) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

// What stands in for a file that is not there yet is waited for, not set aside.
func TestCompleteWaitsForWhatIsBlank(t *testing.T) {
	take := shortTake(1)
	late := append(make([]byte, 5000), take...)
	for _, c := range []struct {
		name    string
		content []byte
		want    watcher.Completion
	}{
		{"whole", take, watcher.Whole},
		{"its size alone", make([]byte, len(take)), watcher.Arriving},
		{"a short file of zeros", make([]byte, 10), watcher.Arriving},
		{"the beginning not there yet", late, watcher.Arriving},
		{"half", take[:len(take)/2], watcher.Arriving},
		{"a letter", bytes.Repeat([]byte("dear "), 2000), watcher.Refused},
		{"zeros inside", append(bytes.Clone(take[:44]), make([]byte, len(take)-44)...), watcher.Whole},
	} {
		path := filepath.Join(t.TempDir(), "take.wav")
		if err := os.WriteFile(path, c.content, 0o640); err != nil {
			t.Fatal(err)
		}
		if got := complete(path); got.State != c.want {
			t.Errorf("%s: %+v, want state %d", c.name, got, c.want)
		}
	}
}

// The figures that a service counts are those of the report.
func TestPapersTellTheFigures(t *testing.T) {
	r := &report.Report{
		Verdict: report.Fail,
		Checks:  []report.Check{{Name: "rms", Pass: true}, {Name: "noise_floor"}, {Name: "room_tone"}},
		Raws:    []report.Raw{{DurationS: 10}, {DurationS: 2.5}},
	}
	r.Finished.DurationS = 11
	p, err := papersOf(r, &report.RecipeFile{})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(p.Missed, []string{"noise_floor", "room_tone"}) || p.RawsS != 12.5 || p.FinishedS != 11 || p.Verdict != report.Fail {
		t.Errorf("papers: missed %q, %v s of %v s, %s", p.Missed, p.FinishedS, p.RawsS, p.Verdict)
	}
}
