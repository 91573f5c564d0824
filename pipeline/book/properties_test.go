package book

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"unicode"

	"pgregory.net/rapid"

	"lectern/config"
	"lectern/pipeline/report"
)

// drawInput is any book: names of all kinds, some hostile, in any state.
func drawInput(t *rapid.T) Input {
	numbered := rapid.Custom(func(t *rapid.T) string {
		return fmt.Sprintf("%02d %s", rapid.IntRange(0, 8).Draw(t, "number"), rapid.SampledFrom([]string{"Tide", "The Weir", "Ferry"}).Draw(t, "title"))
	})
	name := rapid.OneOf(numbered, numbered, rapid.SampledFrom([]string{"Opening credits", "Closing credits", "Sample", "Foreword"}), rapid.SampledFrom(hostile))
	all := rapid.SliceOfNDistinct(name, 0, 12, fold).Draw(t, "names")
	in := Input{Name: ledger, Now: now, Version: "1.2.3", Chain: 7, SettingsSHA256: sum("settings")}
	in.About.Chapters = rapid.IntRange(0, 9).Draw(t, "chapters")
	in.About.Words = rapid.SliceOfN(rapid.IntRange(0, 3000), 0, 9).Draw(t, "words")
	if rapid.Bool().Draw(t, "handed over before") {
		in.Handed = NewHandover(Judge(whole(4)), handedAt)
	}
	for _, n := range all {
		switch rapid.IntRange(0, 6).Draw(t, "state") {
		case 0:
			in.Waiting = append(in.Waiting, Pending{n, "complete"})
		case 1:
			in.SetAside = append(in.SetAside, Pending{n, "It is too short."})
		case 2:
			in.Reports, in.Waiting = append(in.Reports, drawReport(t, n)), append(in.Waiting, Pending{n, ""})
		default:
			in.Reports = append(in.Reports, drawReport(t, n))
		}
	}
	return in
}

func drawReport(t *rapid.T, chapter string) Filed {
	changes := []func(*report.Report){
		lasts(report.Seconds(rapid.IntRange(1, 7_000_000).Draw(t, "ms")) / 1000),
		revision(rapid.IntRange(1, 3).Draw(t, "revision")),
		func(r *report.Report) { r.MadeBy.Chain = rapid.SampledFrom([]int{8, 8, 8, 7}).Draw(t, "chain") },
	}
	if rapid.IntRange(0, 4).Draw(t, "noisy") == 0 {
		changes = append(changes, measures(noisy))
	}
	if rapid.IntRange(0, 2).Draw(t, "joined") == 0 {
		changes = append(changes, joined(0.5))
	}
	for _, at := range rapid.SliceOfN(rapid.IntRange(0, 20), 0, 4).Draw(t, "clicks") {
		changes = append(changes, found(click(report.Seconds(at)/2)))
	}
	return made(chapter, changes...)
}

func TestJudgeProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := drawInput(t)
		b := judge(t, in)

		// The files are those of Order, in its order, each once.
		var given []string
		for _, r := range in.Reports {
			given = append(given, r.Report.Chapter)
		}
		for _, p := range slices.Concat(in.SetAside, in.Waiting) {
			if !slices.Contains(given, p.Name) {
				given = append(given, p.Name)
			}
		}
		var want []string
		for _, p := range Order(given, in.About) {
			want = append(want, p.Chapter)
		}
		if got := names(b); !slices.Equal(got, append([]string{}, want...)) {
			t.Fatalf("files are %q, the book's order is %q", got, want)
		}

		// What is billed is what is finished, without the sample.
		var s float64
		for _, r := range in.Reports {
			if ReadName(r.Report.Chapter, in.About).Kind != Sample {
				s += float64(r.Report.Finished.DurationS)
			}
		}
		if math.Abs(float64(b.FinishedS)-s) > 1e-6 || math.Abs(float64(b.FinishedHours)-s/3600) > 0.005001 {
			t.Fatalf("it lasts %v s, %v hours; the files last %v s", b.FinishedS, b.FinishedHours, s)
		}

		// Everything that is wrong is told, and nothing is told twice.
		worst := 0
		for _, f := range b.Files {
			is := func(d ToDo) bool { return d.Name == f.Name }
			of := func(kind string) bool {
				return slices.ContainsFunc(b.ToDo, func(d ToDo) bool { return is(d) && d.Kind == kind })
			}
			worst = max(worst, slices.Index([]string{"", report.Pass, report.Listen, report.Fail}, f.Verdict))
			if (f.Verdict == report.Fail) != of(DoFailed) || (f.Verdict == report.Listen) != of(DoListen) {
				t.Fatalf("%q is %s, to do is %v", f.Name, f.Verdict, b.ToDo)
			}
			if f.State == Waiting && !of(DoWaiting) || f.State == SetAside && !of(DoSetAside) {
				t.Fatalf("%q is %s, to do is %v", f.Name, f.State, b.ToDo)
			}
		}
		if (b.Verdict == nil) != (worst == 0) || b.Verdict != nil && *b.Verdict != []string{"", report.Pass, report.Listen, report.Fail}[worst] {
			t.Fatalf("the verdict is %v", b.Verdict)
		}
		told := map[ToDo]bool{}
		for _, d := range b.ToDo {
			if told[d] {
				t.Fatalf("told twice: %v", d)
			}
			told[d] = true
			if strings.ContainsFunc(d.Says, func(r rune) bool { return unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) }) {
				t.Fatalf("a line breaks, or turns around: %q", d.Says)
			}
		}

		// Nothing to do, and only then: complete, within all limits, nothing waits, made
		// alike, and with credits and sample.
		ready := b.Complete != nil && *b.Complete && len(b.beyond()) == 0 && worst == 1 &&
			len(in.Waiting)+len(in.SetAside) == 0 && len(b.Outliers) == 0 && b.Credits.Opening != "" && b.Credits.Closing != "" && b.Credits.Sample != ""
		for _, f := range b.Files {
			ready = ready && f.Chain == in.Chain
		}
		if ready != (len(b.ToDo) == 0) {
			t.Fatalf("ready is %v, to do is %v", ready, b.ToDo)
		}

		// listen.txt tells as many places as the files have.
		places := 0
		for _, f := range b.Files {
			places += f.Places
		}
		var text bytes.Buffer
		if err := WriteListen(&text, b, reportsOf(in)); err != nil {
			t.Fatal(err)
		}
		if places > 0 && !strings.Contains(text.String(), "\n"+count(places, "place")+", about ") {
			t.Fatalf("the files have %d places; listen.txt says\n%s", places, text.String())
		}
		valid(t, NewHandover(b, handedAt))
	})
}

// A book that was just handed over has not changed.
func TestHandedOverUnchanged(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := drawInput(t)
		in.Handed = NewHandover(Judge(in), handedAt)
		if got := judge(t, in).HandedOver; len(got.Changed)+len(got.Retagged) != 0 {
			t.Fatalf("changed are %v and %v", got.Changed, got.Retagged)
		}
	})
}

// Numbers told, missing and finished make the whole.
func TestMissingProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		there := rapid.SliceOfDistinct(rapid.IntRange(1, 30), func(n int) int { return n }).Draw(t, "there")
		in := Input{Name: ledger, Now: now, About: config.About{Chapters: 30}}
		for _, n := range there {
			in.Reports = append(in.Reports, made(fmt.Sprintf("%02d", n)))
		}
		b := judge(t, in)
		all := slices.Sorted(slices.Values(slices.Concat(there, b.Missing)))
		if len(all) != 30 || all[0] != 1 || all[29] != 30 || *b.Complete != (len(there) == 30) {
			t.Fatalf("there are %v, missing %v", there, b.Missing)
		}
	})
}
