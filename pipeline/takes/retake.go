package takes

import (
	"math"
	"slices"

	"lectern/pipeline/speech"
)

// What became of a Retake.
const (
	Asked  = "asked"  // nothing yet: a person must hear it
	Marked = "marked" // cut, because the reader marked it with two sharp sounds
	Cut    = "cut"    // cut, because a person said so
	Kept   = "kept"   // left, because a person said so
)

// Retake is a stretch of a raw that seems to be read again right behind it.
type Retake struct {
	Raw   int // its place among the sources
	State string
	// First is what was read first, up to the pause before it was read again; Again is
	// where that reading begins and how far it says the same. In frames.
	First, Again speech.Span
	// Likeness is how much the two have in common: 1 is just enough.
	Likeness float64
}

// The search for retakes. Our choice.
const (
	// backFrames is how far back a reader goes: a minute.
	backFrames = 60 * speech.FramesPerSecond
	// leastFrames is the least that must have been said for its repetition to mean
	// anything: "Never. Never again." is no slip.
	leastFrames = 0.8 * speech.FramesPerSecond
	// openingFrames are compared first, because most places fail there.
	openingFrames = 80
	// sureRetake is the evidence from which a passage counts as read twice, sureMarked
	// that for one which the reader has marked.
	sureRetake, sureMarked = 14.0, 8.0
	// fewPlaces is how many places are needed to know what unrelated words are like.
	fewPlaces = 40
)

// Retakes finds where a raw says again what it has just said: a phrase whose beginning
// covers everything from an earlier run on up to itself. So nothing between the two
// readings is left out of the second one.
func (v *Voice) Retakes(marks []Mark) (out []Retake) {
	unrelated := v.unrelated()
	for j := 1; j < len(v.m.Phrases); j++ {
		again := v.m.Phrases[j].From
		sure, state := sureRetake, Asked
		if slices.ContainsFunc(marks, func(m Mark) bool { return m.Sounds.From >= v.m.Phrases[j-1].From && m.Sounds.To <= again }) {
			sure, state = sureMarked, Marked
		}
		if r, ok := v.readAgain(j, sure, unrelated); ok {
			r.State = state
			out = append(out, r)
		}
	}
	return allTries(out)
}

// readAgain finds the earlier run from which on everything is said again by phrase j.
func (v *Voice) readAgain(j int, sure, unrelated float64) (best Retake, ok bool) {
	again := v.m.Phrases[j].From
	runs := v.m.Runs
	last, _ := slices.BinarySearchFunc(runs, again, func(r speech.Span, at int) int { return r.From - at })
	second := v.words(again, v.m.Features.Len(), reachOf(backFrames))
	said := 0 // from run i up to again
	for i := last - 1; i >= 0 && runs[i].From >= again-backFrames; i-- {
		if said += runs[i].Len(); said < leastFrames {
			continue
		}
		opening := min(said, openingFrames)
		m := sameWords(v.words(runs[i].From, again, opening), second[:min(len(second), reachOf(opening))], sameShare*unrelated)
		if m.distance > sameShare*unrelated {
			continue
		}
		first := v.words(runs[i].From, again, math.MaxInt)
		p := place{alignment: align(first, second[:min(len(second), reachOf(len(first)))], unrelated)}
		if p.evidence < sure || p.evidence/sure <= best.Likeness || !p.opens() {
			continue
		}
		slip := int(min(endSlack, 0.3*float64(len(first))))
		if len(first)-p.first > slip || slices.ContainsFunc(p.unread(p.first, unrelated), func(s speech.Span) bool { return s.Len() > gapFrames }) {
			continue
		}
		best, ok = Retake{
			First: speech.Span{From: runs[i].From, To: runs[last-1].To},
			Again: speech.Span{From: again, To: v.reach(again, p.second)}, Likeness: p.evidence / sure,
		}, true
	}
	return best, ok
}

// allTries carries a mark back over the tries before it: she went on trying, and only
// the last try counts.
func allTries(r []Retake) []Retake {
	for i := len(r) - 1; i > 0; i-- {
		if r[i].State == Marked && r[i-1].Again.From == r[i].First.From {
			r[i-1].State = Marked
		}
	}
	return r
}

// reach returns the frame behind the nth frame of speech from a frame on.
func (v *Voice) reach(from, n int) int {
	for _, p := range v.m.Phrases {
		p.From = max(p.From, from)
		if p.Len() <= 0 {
			continue
		}
		if n <= p.Len() {
			return p.From + n
		}
		n -= p.Len()
	}
	return v.m.Features.Len()
}

// unrelated returns how far apart unrelated words of a reading are: the middle over
// phrases that are compared with later ones, too far apart to be retakes.
func (v *Voice) unrelated() float64 {
	var found []float64
	for i := range v.m.Phrases {
		first := v.words(v.m.Phrases[i].From, v.m.Features.Len(), lookFrames)
		for _, step := range []int{3, 5, 8} {
			if i+step >= len(v.m.Phrases) || len(first) < lookFrames || len(found) >= 400 {
				continue
			}
			second := v.words(v.m.Phrases[i+step].From, v.m.Features.Len(), reachOf(lookFrames))
			if m := sameWords(first, second, math.Inf(1)); !math.IsInf(m.distance, 1) {
				found = append(found, m.distance)
			}
		}
	}
	if len(found) < fewPlaces {
		return unrelatedUsual
	}
	slices.Sort(found)
	return found[len(found)/2]
}
