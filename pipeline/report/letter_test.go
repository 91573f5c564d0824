package report

import (
	"strings"
	"testing"

	"lectern/config"
)

// missed is the made report with a room far too loud.
func missed() *Report {
	r := made()
	r.Finished.Measured.NoiseFloorDBFS, r.Finished.Measured.RoomToneDBFS = -46.9, -46
	r.Checks = append(Judge(r.Finished.Measured, r.Finished.Format, config.Default().Delivery, 0), JudgeTakes(r.Chapter, r.Joins, r.Retakes)...)
	r.Judge()
	return r
}

// settled is the made report once somebody has heard what seemed to be read twice.
func settled() *Report {
	r := made()
	r.Retakes[0].State = "kept"
	r.Checks = append(Judge(r.Finished.Measured, r.Finished.Format, config.Default().Delivery, 0), JudgeTakes(r.Chapter, r.Joins, r.Retakes)...)
	r.Judge()
	return r
}

func TestLetter(t *testing.T) {
	golden(t, "letter-fail.txt", []byte(missed().Letter()))
	golden(t, "letter-listen.txt", []byte(made().Letter()))
}

// Where there is nothing to do there is no letter, whatever was found.
func TestNoLetter(t *testing.T) {
	r := settled()
	r.Raws[0].Findings = []Finding{{Kind: "dc_offset", Says: SaysOffset(1)}}
	r.Finished.Findings = []Finding{{Kind: "tone_laid_in", Says: SaysToneLaidIn(0.5, "after the last word", true)}}
	r.Judge()
	if r.Verdict != Pass || r.Letter() != "" || len(r.ToDo()) != 0 {
		t.Errorf("verdict %s, letter %q, to do %q", r.Verdict, r.Letter(), r.ToDo())
	}
}

// What the limits ask comes before what is to be heard, raws before the MP3, and
// the letter says nothing that the report does not.
func TestToDoOrder(t *testing.T) {
	r := missed()
	got := r.ToDo()
	want := []string{
		check(t, r.Checks, "noise_floor").Advice, check(t, r.Checks, "room_tone").Advice,
		check(t, r.Checks, "read_twice").Advice, SaysClipped(PlaceOf(61.2, ptr(Seconds(59.21)))), standsOut,
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got %q\nwant %q", got, want)
	}
	for _, line := range want {
		if !strings.Contains(r.Letter(), "- "+line+"\n") {
			t.Errorf("the letter lacks %q", line)
		}
	}
	c := Checked{Checks: r.Checks, Findings: r.Findings()}
	if strings.Join(c.ToDo(), "\n") != strings.Join(want, "\n") {
		t.Errorf("of a checked file: %q", c.ToDo())
	}
}

// Many places of one kind are one line; a place that was found in the raw and in the
// finished file is told once; one that was cut away is not told at all.
func TestPlacesAreSummedUp(t *testing.T) {
	r := settled()
	r.Raws[0].Findings, r.Finished.Findings = nil, nil
	add := func(to *[]Finding, at float64, cut bool) {
		finished := ptr(Seconds(at))
		if cut {
			finished = nil
		}
		*to = append(*to, Finding{Kind: "click", AtS: Seconds(at + 2), FinishedAtS: finished, Says: SaysClick(PlaceOf(at+2, finished), -30)})
	}
	add(&r.Raws[0].Findings, 5, true)
	for at := range 3 {
		add(&r.Raws[0].Findings, float64(10+10*at), false)
		add(&r.Finished.Findings, float64(10+10*at)+0.2, false)
	}
	if got := r.ToDo(); len(got) != 3 {
		t.Errorf("three places, told as %q", got)
	}
	add(&r.Finished.Findings, 61, false)
	got := r.ToDo()
	if len(got) != 1 || !strings.Contains(got[0], "In 4 places") || !strings.Contains(got[0], "0:10, 0:20, 0:30 and 1:01") {
		t.Errorf("four places, told as %q", got)
	}
	r.Raws[0].Findings, r.Finished.Findings = nil, nil
	add(&r.Raws[0].Findings, 5, true)
	r.Judge()
	if len(r.ToDo()) != 0 || r.Verdict != Pass {
		t.Errorf("a place that was cut away is told: %q", r.ToDo())
	}
}

// What asks for nothing stands at the end of a letter, each kind once, and makes no
// letter of its own.
func TestAlsoHeard(t *testing.T) {
	r := missed()
	hum := Finding{Kind: "hum", Says: SaysHum(50, -58, []float64{50, 100})}
	r.Raws[0].Findings = append(r.Raws[0].Findings, hum)
	r.Finished.Findings = append(r.Finished.Findings, hum, Finding{Kind: "tone_laid_in", Says: SaysToneLaidIn(1, "after the last word", true)})
	letter := r.Letter()
	if _, also, found := strings.Cut(letter, "\nAlso heard:\n"); !found || strings.Count(also, hum.Says) != 1 || strings.Contains(also, "room tone") {
		t.Errorf("the letter says %q", letter)
	}
	if !strings.Contains(letter, SaysOffset(0.4)) {
		t.Error("the constant offset is not told")
	}
	calm := settled()
	calm.Raws[0].Findings, calm.Finished.Findings = []Finding{hum}, nil
	calm.Judge()
	if calm.Letter() != "" || len(calm.AlsoHeard()) != 1 {
		t.Errorf("a letter for nothing to do: %q", calm.Letter())
	}
}

func TestSummary(t *testing.T) {
	three := missed()
	three.Checks[0].Pass = false
	one := missed()
	one.Checks[2].Pass = true // the room tone and read_twice are left
	calm := made()
	calm.Verdict = Pass
	for want, r := range map[string]*Report{
		"within all limits": calm,
		"within all limits, but please listen to it first":            made(),
		"misses the limit for room tone":                              one,
		"misses the limit for noise floor and room tone":              missed(),
		"misses the limit for sample peak, noise floor and room tone": three,
	} {
		if got := r.Summary(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
