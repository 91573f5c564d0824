package main

import (
	"math"
	"slices"
	"strings"
	"testing"

	"lectern/pipeline/report"
)

// finishedReading is a chapter as it was made, and what is said in it.
type finishedReading struct {
	t      *testing.T
	report *report.Report
	said   []said
	// levelsDB is how loud each raw was read.
	levelsDB []float64
	samples  []float64
	heard    heard
	script   []heard
}

// The limits of a join: project's own figures.
const (
	mostVoiceDB = 1.0
	mostRoomDB  = 1.5
	// mostSteps is how many times the usual step a step may be: in noise one of a hundred
	// million is larger than that.
	mostSteps = 5.7
)

// joinsUnheard proves that the joins are of the kinds wanted, and that neither a click nor
// a change of the voice's or the room's level tells where they are.
func (f *finishedReading) joinsUnheard(kinds ...string) {
	f.t.Helper()
	var got []string
	for _, j := range f.report.Joins {
		got = append(got, j.Kind)
		if want := f.levelsDB[j.FromRaw] - f.levelsDB[j.ToRaw]; math.Abs(float64(j.GainDB)-want) > mostVoiceDB {
			f.t.Errorf("%s r%d: join %d is made %.1f dB louder, expected was %.1f", f.report.Chapter, f.report.Revision, j.Number, float64(j.GainDB), want)
		}
	}
	if !slices.Equal(got, kinds) {
		f.t.Errorf("%s r%d: joins %q, expected were %q", f.report.Chapter, f.report.Revision, got, kinds)
	}
	clickStep, joins := mostSteps*f.usualStep(), 0
	for i := range f.said[1:] {
		if !f.joined(i) {
			continue
		}
		joins++
		voice := f.levelDB(f.said[i]) - f.levelDB(f.said[i+1])
		f.t.Logf("r%d join at %.1f s: largest step %.1f times the usual, voice %+.2f dB", f.report.Revision, f.said[i].endS, largestStep(f.pause(i))/f.usualStep(), voice)
		if largestStep(f.pause(i)) > clickStep {
			f.t.Errorf("%s r%d: a click at %.1f s", f.report.Chapter, f.report.Revision, f.said[i].endS)
		}
		if math.Abs(voice) > mostVoiceDB {
			f.t.Errorf("%s r%d: at %.1f s the voice changes by %.1f dB", f.report.Chapter, f.report.Revision, f.said[i].endS, voice)
		}
		if i == 0 || i+2 == len(f.said) {
			continue
		}
		room := f.pauseDB(i-1) - f.pauseDB(i+1)
		f.t.Logf("  room %+.2f dB (%.1f, in the join's own pause %.1f)", room, f.pauseDB(i-1), f.pauseDB(i))
		if math.Abs(room) > mostRoomDB {
			f.t.Errorf("%s r%d: at %.1f s the room changes by %.1f dB", f.report.Chapter, f.report.Revision, f.said[i].endS, room)
		}
	}
	if marked := len(f.report.Retakes); joins != len(kinds)+marked {
		f.t.Errorf("%s r%d: %d places where the raws do not go on as they were, expected were %d", f.report.Chapter, f.report.Revision, joins, len(kinds)+marked)
	}
}

// joined tells whether the raw goes not on as it was behind sentence i.
func (f *finishedReading) joined(i int) bool {
	a, b := f.said[i], f.said[i+1]
	return a.raw != b.raw || math.Abs((b.atS-b.fromS)-(a.atS-a.fromS)) > 0.002
}

// largestStep is the largest step between two samples.
func largestStep(x []float64) (most float64) {
	for k := range x[1:] {
		most = max(most, math.Abs(x[k+1]-x[k]))
	}
	return most
}

// usualStep is the root mean square of the steps in the pauses in which nothing is joined.
func (f *finishedReading) usualStep() float64 {
	sum, n := 0.0, 0
	for i := range f.said[1:] {
		if f.joined(i) {
			continue
		}
		pause := f.pause(i)
		for k := range pause[1:] {
			sum += (pause[k+1] - pause[k]) * (pause[k+1] - pause[k])
		}
		n += len(pause) - 1
	}
	return math.Sqrt(sum / float64(n))
}

// pause is the room behind sentence i, without the faint edges of words.
func (f *finishedReading) pause(i int) []float64 {
	const edgeS = 0.08
	return f.samples[int((f.said[i].endS+edgeS)*finishedRateHz):int((f.said[i+1].atS-edgeS)*finishedRateHz)]
}

func (f *finishedReading) pauseDB(i int) float64 { return rmsDB(f.pause(i)) }

// levelDB is the level of a sentence while the voice is heard: of its blocks of 20 ms
// within 20 dB of the loudest.
func (f *finishedReading) levelDB(s said) float64 {
	const block = finishedRateHz / 50
	var levels []float64
	for at := int(s.atS * finishedRateHz); at+block <= int(s.endS*finishedRateHz); at += block {
		levels = append(levels, rmsDB(f.samples[at:at+block]))
	}
	loudest, sum, n := slices.Max(levels), 0.0, 0
	for _, l := range levels {
		if l > loudest-20 {
			sum, n = sum+math.Pow(10, l/10), n+1
		}
	}
	return 10 * math.Log10(sum/float64(n))
}

func rmsDB(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return 10 * math.Log10(sum/float64(len(x)))
}

// earIsSharp spoils what was heard, and proves that the ear notices: sentence 5 left out,
// broken off before it is read, read twice, and changed for the one before it.
func (f *finishedReading) earIsSharp() {
	f.t.Helper()
	four, five, six := f.said[3], f.said[4], f.said[5]
	fromS := four.atS - 0.4
	heard, script := f.heard.between(fromS, six.endS+0.4), f.script[3:6]
	at := func(s float64) float64 { return s - fromS }
	sentence := heard.between(at(five.atS-0.3), at(five.endS+0.3))
	slip := heard.between(at(five.atS-0.3), at((five.atS+five.endS)/2))
	without := heard.without(at(five.atS-0.3), at(five.endS+0.3))
	for _, c := range []struct {
		spoiled heardText
		notices string
	}{
		{heardText{"as it is", heard}, ""},
		{heardText{"left out", without}, "sentence 2 is not there whole"},
		{heardText{"broken off before", heard.with(at(five.atS-0.3), slip)}, "something else is said"},
		{heardText{"read twice", heard.with(at(five.atS-0.3), sentence)}, "something else is said"},
		{heardText{"in the wrong place", without.with(0.1, sentence)}, "before the end of another"},
	} {
		wrong, _ := c.spoiled.heard.wrong(script)
		if all := strings.Join(wrong, "; "); c.notices == "" && all != "" || !strings.Contains(all, c.notices) {
			f.t.Errorf("sentence 5 %s: the ear says %q, expected was %q", c.spoiled.name, all, c.notices)
		}
	}
	// A click is noticed: a jump at -54 dBFS in the middle of a pause.
	click := slices.Clone(f.pause(1))
	for k := len(click) / 2; k < len(click); k++ {
		click[k] += 0.002
	}
	if largestStep(click) <= mostSteps*f.usualStep() {
		f.t.Error("a click is not noticed")
	}
	// And one word that is missing.
	if wrong, _ := f.heard.wrong(readScript(f.t, theFerry)); !strings.Contains(strings.Join(wrong, "; "), "sentence 7 is not there whole") {
		f.t.Errorf("the ear does not notice that a word is missing: %q", wrong)
	}
}

type heardText struct {
	name  string
	heard heard
}
