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
	// Likeness is how far, in standard deviations, the two are closer to each other than
	// unrelated words of the same reading are.
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
	// mostFrames bounds what is compared.
	mostFrames = 600
	// sureLikeness is the likeness from which a place is told; see README.md for how it
	// was set.
	sureLikeness = 5.0
	// endLikeness is what the last 0.8 s must have by themselves.
	endLikeness = 4.0
	// fewPlaces is how many places are needed to know what unrelated words are like.
	fewPlaces = 40
)

// Retakes finds where a raw says again what it has just said: a phrase whose beginning
// covers everything from an earlier phrase on up to itself. So nothing between the two
// readings is left out of the second one.
func (v *Voice) Retakes() []Retake {
	by := v.unrelated()
	var out []Retake
	for j := 1; j < len(v.m.Phrases); j++ {
		again := v.m.Phrases[j].From
		best := Retake{Likeness: math.Inf(-1)}
		second := v.words(again, v.m.Features.Len(), int(paceSlack*mostFrames))
		for i := j - 1; i >= 0; i-- {
			from := v.m.Phrases[i].From
			if from < again-backFrames {
				break
			}
			first := v.words(from, again, mostFrames+1)
			if len(first) > mostFrames {
				break
			}
			if len(first) < leastFrames {
				continue
			}
			opening := min(len(first), openingFrames)
			if m := sameWords(first[:opening], head(second, opening), by.farthest(opening, sureLikeness-1)); math.IsInf(m.distance, 1) {
				continue
			}
			whole := head(second, len(first))
			m := sameWords(first, whole, by.farthest(len(first), sureLikeness))
			likeness := by.likeness(len(first), m.distance)
			if likeness < sureLikeness || likeness <= best.Likeness {
				continue
			}
			if end := sameEnd(first, whole, m); by.likeness(endFrames, end.distance) < endLikeness {
				continue
			}
			best = Retake{
				First: speech.Span{From: from, To: v.m.Phrases[j-1].To},
				Again: speech.Span{From: again, To: v.reach(again, m.second)}, Likeness: likeness,
			}
		}
		if !math.IsInf(best.Likeness, -1) {
			out = append(out, best)
		}
	}
	return out
}

// head returns as much of the second reading as the first one may cover.
func head(second []frame, first int) []frame {
	return second[:min(len(second), int(paceSlack*float64(first))+startSlack)]
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

// chance is how far apart unrelated words of a reading are, by how many frames are
// compared: a short stretch is like another by chance more often.
type chance struct{ short, long spread }

type spread struct{ middle, deviation float64 }

// The lengths a chance is learned at.
const shortFrames, longFrames = 80, 200

// unrelated compares openings of phrases that follow each other too far apart to be
// retakes, or the wrong way round.
func (v *Voice) unrelated() chance {
	learn := func(n int, usual spread) spread {
		var found []float64
		for i := range v.m.Phrases {
			first := v.words(v.m.Phrases[i].From, v.m.Features.Len(), n)
			for _, step := range []int{3, 5, 8} {
				if i+step >= len(v.m.Phrases) || len(first) < n || len(found) >= 400 {
					continue
				}
				second := v.words(v.m.Phrases[i+step].From, v.m.Features.Len(), int(paceSlack*float64(n)))
				if m := sameWords(first, second, math.Inf(1)); !math.IsInf(m.distance, 1) {
					found = append(found, m.distance)
				}
			}
		}
		if len(found) < fewPlaces {
			return usual
		}
		slices.Sort(found)
		// The lower half alone: what counts is how near unrelated words come by chance. A
		// tenth of them lies 1.28 deviations under the middle.
		middle, low := found[len(found)/2], found[len(found)/10]
		return spread{middle, max((middle-low)/1.28, 0.02)}
	}
	return chance{learn(shortFrames, spread{0.95, 0.07}), learn(longFrames, spread{0.95, 0.05})}
}

// at returns the spread for a number of frames, between the two that were learned.
func (c chance) at(n int) spread {
	share := min(max((float64(n)-shortFrames)/(longFrames-shortFrames), 0), 1)
	return spread{
		c.short.middle + share*(c.long.middle-c.short.middle),
		c.short.deviation + share*(c.long.deviation-c.short.deviation),
	}
}

func (c chance) likeness(n int, distance float64) float64 {
	s := c.at(n)
	return (s.middle - distance) / s.deviation
}

// farthest is the distance at which the likeness is just so much.
func (c chance) farthest(n int, likeness float64) float64 {
	s := c.at(n)
	return s.middle - likeness*s.deviation
}
