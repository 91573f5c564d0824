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
	// anything: "Never. Never again." is no slip. leastMarked is the same where the reader
	// says by a mark that it was one: a word.
	leastFrames, leastMarked = 0.7 * speech.FramesPerSecond, 0.3 * speech.FramesPerSecond
	// openingFrames are compared first, because most places fail there.
	openingFrames = 80
	// sureRetake is the evidence from which a passage counts as read twice, sureMarked
	// that for one which the reader has marked.
	sureRetake, sureMarked = 12.0, 6.0
	// leastPause is the shortest pause between a slip and the next try, and between two
	// sentences.
	leastPause = 25
	// fewPlaces is how many places are needed to know what unrelated words are like.
	fewPlaces = 40
)

// Retakes finds where a raw says again what it has just said: a run whose beginning
// covers everything from an earlier run on up to itself. So nothing between the two
// readings is left out of the second one. Of several tries in a row only the last counts.
// It looks at so many runs at once as there are workers, 0 for all cores.
func (v *Voice) Retakes(marks []Mark, workers int) (out []Retake) {
	unrelated := v.unrelated(workers)
	l := lineOf(0, v)
	found := make([]*Retake, len(v.m.Runs)) // by the run that begins again
	onCores(workers, len(found), func(j int) {
		if j > 0 {
			found[j] = v.retakeAt(l, j, marks, unrelated)
		}
	})
	for _, r := range found {
		if r != nil {
			out = append(withoutTries(out, r), *r)
		}
	}
	return out
}

// retakeAt returns the retake that begins again with run j, nil if there is none.
func (v *Voice) retakeAt(l line, j int, marks []Mark, unrelated float64) *Retake {
	again, before := v.m.Runs[j].From, v.m.Runs[j-1]
	w := wanted{sureRetake, leastFrames, untoldSlip}
	state := Asked
	if slices.ContainsFunc(marks, func(m Mark) bool { return m.Sounds.From >= before.From && m.Sounds.To <= again }) {
		w, state = wanted{sureMarked, leastMarked, markedSlip}, Marked
	} else if again-before.To < leastPause {
		return nil
	}
	r, ok := v.readAgain(l, j, unrelated, w)
	if !ok {
		return nil
	}
	if r.State = state; state == Marked && v.soundsBefore(r.First.From) {
		r.State = Asked
	}
	return &r
}

// soundsMost is how long all sounds in a pause last at most that are breaths and the like, in
// frames. Our choice.
const soundsMost = 100

// soundsBefore tells whether more than breaths is heard in the pause before the word that
// begins at a frame. It may be whispered words that the map does not know, and the edge of
// a cut would leave them out.
func (v *Voice) soundsBefore(word int) bool {
	from := 0
	for _, r := range v.m.Runs {
		if r.To <= word {
			from = r.To
		}
	}
	sounds := 0
	for _, s := range v.m.Sounds {
		if s.From >= from && s.To <= word {
			sounds += s.Len()
		}
	}
	return from > 0 && sounds > soundsMost
}

// withoutTries leaves out the tries that r reads again itself: they are no second
// question. Where one of them was marked it is cut for itself, and r is about the rest.
func withoutTries(found []Retake, r *Retake) (out []Retake) {
	for _, e := range found {
		switch {
		case e.First.From < r.First.From:
			out = append(out, e)
		case e.State == Marked && r.State == Asked:
			out = append(out, e)
			r.First.From = max(r.First.From, e.Again.From)
		}
	}
	return out
}

// wanted is what a passage must be to count as read twice: the evidence, the frames of
// words, and how much of it may be a slip.
type wanted struct {
	sure  float64
	least int
	may   slip
}

// readAgain finds the earliest run from which on everything is said again by run j.
func (v *Voice) readAgain(l line, j int, unrelated float64, w wanted) (best Retake, ok bool) {
	runs := v.m.Runs
	again := runs[j].From
	second := v.words(again, v.m.Features.Len(), reachOf(openingFrames))
	farther := false   // is all of it there?
	said, long := 0, 0 // from run i up to again, and of the best
	for i := j - 1; i >= 0 && runs[i].From >= again-backFrames; i-- {
		if said += runs[i].Len(); said < w.least {
			continue
		}
		opening := min(said, openingFrames)
		m := sameWords(v.words(runs[i].From, again, opening), second[:min(len(second), reachOf(opening))], sameShare*unrelated)
		if m.distance > sameShare*unrelated {
			continue
		}
		if !farther { // few places get here
			second, farther = v.words(again, v.m.Features.Len(), reachOf(backFrames)), true
		}
		starts := l[i:j].starts(0)
		first := v.words(runs[i].From, runs[j-1].To, math.MaxInt)
		c, covered := cover(first, starts, second[:min(len(second), reachOf(len(first)))], unrelated, w.may)
		if !covered || c.evidence < w.sure || ok && !earns(c.evidence-best.Likeness*w.sure, len(first)-long) {
			continue
		}
		long = len(first)
		best, ok = Retake{
			First: speech.Span{From: runs[i].From, To: runs[j-1].To},
			Again: speech.Span{From: again, To: v.reach(again, c.second)}, Likeness: c.evidence / w.sure,
		}, true
	}
	return best, ok
}

// reach returns the frame behind the nth frame of speech from a frame on.
func (v *Voice) reach(from, n int) int {
	for _, p := range v.phrasesFrom(from) {
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
// stretches of two seconds that begin with some run and with one a little later.
func (v *Voice) unrelated(workers int) float64 {
	if v.apart == 0 {
		v.apart = v.learnUnrelated(workers)
	}
	return v.apart
}

func (v *Voice) learnUnrelated(workers int) float64 {
	const enough = 10 * fewPlaces
	type pair struct{ run, step int }
	var pairs []pair
	for step := 2; step < 10; step++ {
		for i := 0; i+step < len(v.m.Runs); i++ {
			pairs = append(pairs, pair{i, step})
		}
	}
	var found []float64
	distances := make([]float64, min(enough, len(pairs)))
	for len(pairs) > 0 && len(found) < enough {
		n := min(enough-len(found), len(pairs))
		onCores(workers, n, func(k int) {
			p := pairs[k]
			from, to := v.m.Runs[p.run].From, v.m.Runs[p.run+p.step].From
			first, second := v.words(from, to, lookFrames), v.words(to, v.m.Features.Len(), reachOf(lookFrames))
			distances[k] = math.Inf(1)
			if len(first) == lookFrames && len(second) >= lookFrames {
				distances[k] = sameWords(first, second, math.Inf(1)).distance
			}
		})
		for _, d := range distances[:n] {
			if !math.IsInf(d, 1) {
				found = append(found, d)
			}
		}
		pairs = pairs[n:]
	}
	if len(found) < fewPlaces/4 {
		return unrelatedUsual
	}
	slices.Sort(found)
	return found[len(found)/2]
}
