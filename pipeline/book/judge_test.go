package book

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lectern/config"
	"lectern/pipeline/report"
)

// A book of twelve chapters, one too noisy, one missing, one doubled, one with joins and
// findings, one set aside and one waiting: the verdict says exactly that.
func TestJudge(t *testing.T) {
	in := whole(12)
	*in.at(t, "03 Tide") = made("03 Tide", joined(377.5), found(click(59)))
	*in.at(t, "05 Tide") = made("05 Tide", measures(noisy))
	in.Reports = append(in.Reports, made("08 Weir"))
	in.Reports = dropped(in.Reports, "07 Tide", "10 Tide", "11 Tide", "Sample")
	in.SetAside = []Pending{{"10 Tide", "no words were found in it"}, {"10 Tide", "no words were found in it"}}
	in.Waiting = []Pending{{"11 Tide", "waiting, it is still being written"}, {"01 Tide", "complete"}}
	b := judge(t, in)

	if b.Verdict == nil || *b.Verdict != report.Fail {
		t.Errorf("verdict is %v, want fail", b.Verdict)
	}
	if b.Complete == nil || *b.Complete {
		t.Error("complete must be false")
	}
	if d := cmp.Diff([]int{7, 10, 11}, b.Missing); d != "" {
		t.Errorf("missing (-want +got):\n%s", d)
	}
	if d := cmp.Diff([]int{8}, b.Doubled); d != "" {
		t.Errorf("doubled (-want +got):\n%s", d)
	}
	want := []string{
		"missing", "set_aside 10 Tide", "failed 05 Tide", "doubled 08 Tide",
		"waiting 11 Tide", "waiting 01 Tide", "listen 03 Tide", "sample",
	}
	if d := cmp.Diff(want, kinds(b)); d != "" {
		t.Errorf("to do (-want +got):\n%s", d)
	}
	says := []string{
		"Chapter 7 is missing. Drop its recording into the book's folder in the inbox.",
		`A recording of "10 Tide" was set aside, and nothing was made of it. No words were found in it.`,
		`"05 Tide" misses the limit for noise floor and room tone. Even at its quietest your room is about 8 dB too loud: its noise floor is -52.5 dB, and the limit is -60. Switch off the fan, or move the computer away from the microphone, come closer to the microphone, then read the chapter again. The room heard in your pauses is about 9 dB too loud: its room tone is -51.0 dB, and the limit is -60. Switch off what hums or blows, keep still in the pauses, come closer to the microphone, then read the chapter again.`,
		`Chapter 8 is there more than once: "08 Tide" and "08 Weir". Give one of them its right number (lectern rename) or take it out (lectern withdraw).`,
		`A recording of "11 Tide" is not made into a finished file yet: waiting, it is still being written.`,
		`A recording of "01 Tide" is not made into a finished file yet: complete.`,
		`Listen to "03 Tide" in 2 places before you hand it over: listen.txt tells where, and what for.`,
		"There is no sample yet. Write into about.toml which chapter it is to be cut from, or drop a recording named Sample into the book's folder in the inbox.",
	}
	for i, d := range b.ToDo {
		if d.Says != says[i] {
			t.Errorf("says  %s\nwant  %s", d.Says, says[i])
		}
		if want := i < 6; d.Blocks != want {
			t.Errorf("%s blocks: %v, want %v", d.Kind, d.Blocks, want)
		}
	}
	for _, f := range b.Files {
		switch f.Name {
		case "10 Tide":
			if f.State != SetAside || f.Says != "no words were found in it." {
				t.Errorf("10 Tide is %s: %s", f.State, f.Says)
			}
		case "11 Tide":
			if f.State != Waiting {
				t.Errorf("11 Tide is %s, want waiting", f.State)
			}
		case "01 Tide":
			if f.State != Finished || f.Says != "complete." {
				t.Errorf("01 Tide is %s: %q; a finished file stays finished while a new recording waits", f.State, f.Says)
			}
		}
	}
	// The noise of 05 is far from the others', too; its two figures are told in the
	// outliers, and not once more in what is to do.
	var apart []string
	for _, o := range b.Outliers {
		apart = append(apart, o.Name+" "+o.Figure)
	}
	if d := cmp.Diff([]string{"05 Tide noise_floor_dbfs", "05 Tide room_tone_dbfs"}, apart); d != "" {
		t.Errorf("outliers (-want +got):\n%s", d)
	}
}

// dropped are the reports without those of some chapters.
func dropped(reports []Filed, chapters ...string) []Filed {
	var out []Filed
	for _, r := range reports {
		if !strings.Contains("|"+strings.Join(chapters, "|")+"|", "|"+r.Report.Chapter+"|") {
			out = append(out, r)
		}
	}
	return out
}

// A book in which everything is as it should be has nothing to do.
func TestReady(t *testing.T) {
	b := judge(t, whole(40))
	if len(b.ToDo) != 0 {
		t.Errorf("a book that is ready has to do: %v", b.ToDo)
	}
	if b.Complete == nil || !*b.Complete || *b.Verdict != report.Pass {
		t.Error("it must be complete and pass")
	}
	if b.Credits != (Credits{Opening: "Opening credits", Closing: "Closing credits", Sample: "Sample"}) {
		t.Errorf("credits are %+v", b.Credits)
	}
	// 40 chapters of 600 s and credits of 12 and 14.5; the sample's 180 do not count.
	if b.FinishedS != 24026.5 || b.FinishedClock != "6:40:27" || b.FinishedHours != 6.67 {
		t.Errorf("it lasts %v s, %s, %v hours; want 24026.5, 6:40:27, 6.67", b.FinishedS, b.FinishedClock, b.FinishedHours)
	}
	if !b.MadeAt.Equal(now) {
		t.Errorf("made at %v, want %v", b.MadeAt, now)
	}
}

func TestJudgeNothing(t *testing.T) {
	b := judge(t, Input{Name: ledger, Now: now})
	if b.Verdict != nil || b.Complete != nil || b.FinishedClock != "0:00:00" || len(b.Files) != 0 || b.HandedOver != nil {
		t.Errorf("an empty book is %+v", b)
	}
	if d := cmp.Diff([]string{"empty", "credits", "credits", "untold", "sample"}, kinds(b)); d != "" {
		t.Errorf("to do (-want +got):\n%s", d)
	}
}

// What is no finished chapter does not count: one that was withdrawn, a room test.
func TestJudgePassesOver(t *testing.T) {
	in := whole(1)
	in.Reports = append(in.Reports,
		made("02 Withdrawn", func(r *report.Report) { r.State = report.StateWithdrawn }),
		made("room test", func(r *report.Report) { r.State = "room_test" }))
	if b := judge(t, in); len(b.Files) != 4 {
		t.Errorf("counts %v", names(b))
	}
}

// Two reports of one chapter, whose names some disk takes for one: the newer revision
// holds.
func TestJudgeTakesNewest(t *testing.T) {
	in := Input{Name: ledger, Now: now, Reports: []Filed{made("03 CAFÉ", revision(2)), made("03 Cafe\u0301")}}
	b := judge(t, in)
	if len(b.Files) != 1 || b.Files[0].Revision != 2 || b.Files[0].Name != "03 CAFÉ" {
		t.Errorf("files are %+v", b.Files)
	}
}

func TestCountChapters(t *testing.T) {
	yes, no := ptr(true), ptr(false)
	tests := []struct {
		name             string
		chapters         []string
		about            config.About
		missing, doubled []int
		complete         *bool
		todo             []string
	}{
		{"untold, no gap", []string{"01 A", "02 B"}, config.About{}, []int{}, []int{}, nil, []string{"untold"}},
		{"untold, gaps", []string{"02 B", "05 E"}, config.About{}, []int{1, 3, 4}, []int{}, nil, []string{"missing", "untold"}},
		{"untold, a day for a number", []string{"20261126 A"}, config.About{}, []int{}, []int{}, nil, []string{"untold"}},
		{"told, all there", []string{"01 A", "02 B"}, config.About{Chapters: 2}, []int{}, []int{}, yes, nil},
		{"told by titles", []string{"01 A"}, config.About{Titles: []string{"A", "The Weir"}}, []int{2}, []int{}, no, []string{"missing"}},
		{"told, doubled", []string{"01 A", "01 B", "2 C"}, config.About{Chapters: 2}, []int{}, []int{1}, no, []string{"doubled 01 A"}},
		{"told, one beyond", []string{"01 A", "02 B", "03 C"}, config.About{Chapters: 2}, []int{}, []int{}, yes, []string{"beyond 03 C"}},
		{"number 0", []string{"00 Prologue", "01 A"}, config.About{Chapters: 1}, []int{}, []int{}, yes, nil},
		{"no number", []string{"Foreword", "01 A"}, config.About{Chapters: 1}, []int{}, []int{}, yes, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := whole(0)
			in.About = tt.about
			for _, c := range tt.chapters {
				in.Reports = append(in.Reports, made(c))
			}
			b := judge(t, in)
			if d := cmp.Diff(tt.missing, b.Missing); d != "" {
				t.Errorf("missing (-want +got):\n%s", d)
			}
			if d := cmp.Diff(tt.doubled, b.Doubled); d != "" {
				t.Errorf("doubled (-want +got):\n%s", d)
			}
			if d := cmp.Diff(tt.complete, b.Complete); d != "" {
				t.Errorf("complete (-want +got):\n%s", d)
			}
			if d := cmp.Diff(append([]string{}, tt.todo...), kinds(b)); d != "" {
				t.Errorf("to do (-want +got):\n%s", d)
			}
		})
	}
}

func TestSaysMissing(t *testing.T) {
	for _, tt := range []struct {
		numbers []int
		want    string
	}{
		{[]int{2}, "Chapter 2 (The Weir) is missing. Drop its recording into the book's folder in the inbox."},
		{[]int{1, 3, 4, 6, 7, 8, 9, 12}, "Chapters 1, 3, 4, 6 to 9 and 12 are missing. Drop their recordings into the book's folder in the inbox."},
	} {
		if got := saysMissing(tt.numbers, []string{"", "The Weir"}); got != tt.want {
			t.Errorf("says %s\nwant %s", got, tt.want)
		}
	}
}

func TestFinishedHours(t *testing.T) {
	for s, want := range map[report.Seconds]string{0: "0:00:00 0", 17.999: "0:00:18 0", 18: "0:00:18 0.01", 3599.6: "1:00:00 1", 22332: "6:12:12 6.2", 360000: "100:00:00 100"} {
		if got := fmt.Sprintf("%s %v", hoursClock(s), hours(s)); got != want {
			t.Errorf("%v s are %s, want %s", s, got, want)
		}
	}
}

// Who made the files: those unlike the rest are named, and all if they are unlike what
// would be made now.
func TestMadeOtherwise(t *testing.T) {
	other := func(chain int, settings string) func(*report.Report) {
		return func(r *report.Report) { r.MadeBy.Chain, r.MadeBy.SettingsSHA256 = chain, sum(settings) }
	}
	all := func(in *Input, change func(*report.Report)) {
		for i := range in.Reports {
			change(in.Reports[i].Report)
		}
	}
	t.Run("one of another chain", func(t *testing.T) {
		in := whole(4)
		other(6, "settings")(in.at(t, "02 Tide").Report)
		b := judge(t, in)
		if len(b.ToDo) != 1 || b.ToDo[0].Name != "02 Tide" || b.ToDo[0].Blocks ||
			b.ToDo[0].Says != `"02 Tide" was made by a version of Lectern with another sound than the rest of the book. Have it made again, so that all of it sounds alike: lectern remake "A Ledger of Small Tides".` {
			t.Errorf("to do is %+v", b.ToDo)
		}
	})
	t.Run("two with other settings, one with both other", func(t *testing.T) {
		in := whole(4)
		other(7, "old")(in.at(t, "02 Tide").Report)
		other(7, "old")(in.at(t, "03 Tide").Report)
		other(6, "old")(in.at(t, "04 Tide").Report)
		b := judge(t, in)
		if d := cmp.Diff([]string{"made_otherwise 04 Tide", "made_otherwise"}, kinds(b)); d != "" {
			t.Errorf("to do (-want +got):\n%s", d)
		}
		if !strings.HasPrefix(b.ToDo[1].Says, `"02 Tide" and "03 Tide" were made with other settings than the rest`) {
			t.Errorf("says %s", b.ToDo[1].Says)
		}
	})
	t.Run("all with other settings than now", func(t *testing.T) {
		in := whole(4)
		all(&in, other(7, "old"))
		b := judge(t, in)
		if len(b.ToDo) != 1 || !strings.HasPrefix(b.ToDo[0].Says, "All files of the book were made with other settings than now.") {
			t.Errorf("to do is %+v", b.ToDo)
		}
	})
	t.Run("not known what holds now", func(t *testing.T) {
		in := whole(4)
		all(&in, other(7, "old"))
		in.Chain, in.SettingsSHA256 = 0, ""
		if b := judge(t, in); len(b.ToDo) != 0 {
			t.Errorf("to do is %+v", b.ToDo)
		}
	})
	t.Run("half and half: what holds now is the rest", func(t *testing.T) {
		in := whole(5) // and three others
		for _, c := range []string{"01 Tide", "02 Tide", "03 Tide", "04 Tide"} {
			other(7, "old")(in.at(t, c).Report)
		}
		b := judge(t, in)
		if len(b.ToDo) != 1 || !strings.HasPrefix(b.ToDo[0].Says, `"01 Tide", "02 Tide", "03 Tide" and "04 Tide" were`) {
			t.Errorf("to do is %+v", b.ToDo)
		}
	})
}
