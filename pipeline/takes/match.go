package takes

import (
	"math"
	"slices"

	"lectern/pipeline/speech"
)

// words returns the frames of speech from a frame on, at most n of them, pauses left
// out: a pause is longer in one reading than in the other.
func (v *Voice) words(from, to, n int) []frame {
	out := make([]frame, 0, max(0, min(n, to-from)))
	for _, p := range v.phrasesFrom(from) {
		for i := max(p.From, from); i < min(p.To, to); i++ {
			if out = append(out, v.frame(i)); len(out) == n {
				return out
			}
		}
		if p.To >= to {
			break
		}
	}
	return out
}

// phrasesFrom returns the phrases that do not end before a frame. It does not look at all
// of them: it is asked once for every place of a recording.
func (v *Voice) phrasesFrom(frame int) []speech.Span {
	all := v.m.Phrases
	first, _ := slices.BinarySearchFunc(all, frame, func(p speech.Span, frame int) int { return p.To - frame })
	return all[first:]
}

// The bounds of a match. Our choice: a reader who says a sentence again is at most half
// as fast or twice as fast in any place, and begins within 50 ms of where we think.
const (
	startSlack = 5
	// paceSlack is how much longer the second reading may be than the first.
	paceSlack = 1.5
	// endSlack is how much of the first reading's end may be missing in the second: the
	// word she slipped on.
	endSlack = 0.35 * speech.FramesPerSecond
)

// match tells how two readings lie over each other: the mean distance of their frames,
// and how many frames of each belong together.
type match struct {
	distance      float64
	first, second int
}

// sameWords compares a first reading with the beginning of a second one: dynamic time
// warping with an open end on both sides. Two frames that have nothing to do with each
// other are about 1 apart. It gives up, with a distance of +Inf, as soon as the
// distance is sure to be more than most.
func sameWords(first, second []frame, most float64) match {
	n, m := len(first), len(second)
	if n == 0 || m == 0 {
		return match{math.Inf(1), 0, 0}
	}
	inf := float32(math.Inf(1))
	rows := [3][]float32{make([]float32, m), make([]float32, m), make([]float32, m)}
	near := [2][]float32{make([]float32, m), make([]float32, m)} // of this row and the one before
	best := match{math.Inf(1), 0, 0}
	earliest := max(1, n-int(min(endSlack, 0.3*float64(n)))) // rows in which the first may end
	for i := range n {
		row, one, two := rows[i%3], rows[(i+2)%3], rows[(i+1)%3]
		here, before := near[i%2], near[(i+1)%2]
		least := inf
		low, high := i/2-startSlack, 2*i+startSlack
		for j := range m {
			row[j], here[j] = inf, inf
			if j < low || j > high {
				continue
			}
			d := apart(&first[i], &second[j])
			here[j] = d
			if i == 0 {
				row[j] = d
				continue
			}
			way := inf
			if j >= 1 {
				way = one[j-1] // one frame each
			}
			if j >= 2 {
				way = min(way, one[j-2]) // the second is faster here
			}
			if i >= 2 && j >= 1 {
				way = min(way, two[j-1]+before[j]) // the first is
			}
			row[j] = way + d
			least = min(least, row[j])
		}
		if i == 0 {
			continue
		}
		if i+1 >= earliest {
			for j, sum := range row {
				if mean := float64(sum) / float64(i+1); mean < best.distance {
					best = match{mean, i + 1, j + 1}
				}
			}
		}
		if float64(least) > most*float64(n) {
			return match{math.Inf(1), 0, 0}
		}
	}
	return best
}

// apart is the root mean square of the differences of two frames. Two sums side by side
// keep the processor from waiting for each addition.
func apart(a, b *frame) float32 {
	var even, odd float32
	for k := 0; k < dims; k += 2 {
		d, e := a[k]-b[k], a[k+1]-b[k+1]
		even += d * d
		odd += e * e
	}
	return float32(math.Sqrt(float64((even + odd) / dims)))
}
