package takes

import (
	"math"
	"slices"

	"lectern/pipeline/speech"
)

// answerSlackS is how far the place of an answer may lie from that of a retake.
const answerSlackS = 0.1

// settle finds what a source seems to read twice, and what becomes of each: what the
// reader marked is cut, what a person answered is done, the rest is asked.
func settle(raw int, source Source, answers []Answer, workers int) []Retake {
	retakes := source.Voice.Retakes(source.Marks, workers)
	for i := range retakes {
		r := &retakes[i]
		r.Raw = raw
		for _, a := range answers { // the last one holds
			if a.RawSHA256 != source.SHA256 || !nearS(a.FromS, r.First.From) || !nearS(a.AgainS, r.Again.From) {
				continue
			}
			r.State = Kept
			if a.Cut {
				r.State = Cut
			}
		}
	}
	return retakes
}

// loneMarks are the marks of a source behind which nothing is read again, though words
// were read before them.
func loneMarks(raw int, source Source, retakes []Retake) (out []Stretch) {
	for _, m := range source.Marks {
		runs := source.Voice.m.Runs
		i, _ := slices.BinarySearchFunc(runs, m.Sounds.To, func(r speech.Span, at int) int { return r.From - at })
		if i == 0 || i == len(runs) { // to begin with, or to end
			continue
		}
		if !slices.ContainsFunc(retakes, func(r Retake) bool {
			return m.Sounds.From >= r.First.From && m.Sounds.To <= runs[i].From && r.Again.From >= runs[i].From
		}) {
			out = append(out, Stretch{Raw: raw, Span: m.Sounds})
		}
	}
	return out
}

func nearS(s float64, frame int) bool {
	return math.Abs(s-float64(frame)/speech.FramesPerSecond) <= answerSlackS
}

// without leaves out what was cut. The pause before the first reading is the one that
// stays.
func without(l line, retakes []Retake) line {
	var out line
	for _, r := range l {
		cut := false
		for _, t := range retakes {
			if (t.State == Cut || t.State == Marked) && r.From >= t.First.From && r.From < t.Again.From {
				cut = true
			}
		}
		if !cut {
			out = append(out, r)
		}
	}
	// Behind a cut the pause is that of what was cut first.
	for i := range out {
		from := 0
		if i > 0 {
			from = out[i-1].To
		}
		for _, r := range l {
			if r.From >= from {
				out[i].pause = r.pause
				break
			}
		}
	}
	return out
}
