package pipeline

import (
	"fmt"
	"math"
	"slices"

	"lectern/pipeline/internal/made"
)

// gains looks at the plan's gain itself (aim 3): that a rendered master differs from
// its raw by this gain alone, but for the limiter, is what aim 8 measures.
func (q *quality) gains(r qualityReading) {
	const aim = "3 steady phrases"
	_, shift, p := q.masterOf(r.x, nil)
	gain := func(sample int) float64 { return float64(p.GainDB[max(0, (sample+shift)/frameSamples)]) }
	moves := 0
	worst, at := 0.0, r.name
	loss, lostAt := 0.0, r.name
	for _, ph := range r.m.phrases {
		words := r.m.wordsIn(ph)
		if len(words) == 0 {
			continue
		}
		from, to := words[0].from, words[len(words)-1].to
		// Each place where the gain moves by more than 1 dB within 0.3 s.
		const near = 3 * sampleRateHz / 20
		for k := from + near; k < to-near; k += frameSamples {
			move := gain(k+near) - gain(k-near)
			if math.Abs(move) <= 1 {
				continue
			}
			// Where it moves most is where the reading must jump.
			middle := k
			for c := k - near; c < k+near; c += frameSamples {
				if math.Abs(gain(c+frameSamples)-gain(c)) > math.Abs(gain(middle+frameSamples)-gain(middle)) {
					middle = c
				}
			}
			moves++
			side := 3 * sampleRateHz / 2
			before := levelOf(r.x, stretch{max(from, middle-side), middle})
			after := levelOf(r.x, stretch{middle, min(to, middle+side)})
			if jump := math.Abs(after - before); jump < 3 && math.Abs(move) > worst {
				worst, at = math.Abs(move), fmt.Sprintf("%s at %.1f s", r.name, float64(k)/sampleRateHz)
			}
		}
		for _, w := range words {
			const ms50 = sampleRateHz / 20
			mean := func(from, to int) float64 {
				var sum float64
				n := 0
				for k := from; k < to; k += frameSamples {
					sum += gain(k)
					n++
				}
				return sum / float64(n)
			}
			if w.to-w.from < 4*ms50 {
				continue
			}
			for _, l := range []struct {
				db float64
				at int
			}{{mean(w.from+ms50, w.from+2*ms50) - mean(w.from, w.from+ms50), w.from}, {mean(w.to-2*ms50, w.to-ms50) - mean(w.to-ms50, w.to), w.to}} {
				if l.db > loss {
					loss, lostAt = l.db, fmt.Sprintf("%s at %.2f s", r.name, float64(l.at)/sampleRateHz)
				}
			}
		}
	}
	q.most(aim, "gain moved inside a phrase where the reading does not jump (3 dB), dB", 1, worst, at)
	q.most(aim, "first or last 50 ms of a word under the 50 ms beside them, dB", 0.5, loss, lostAt)
	if moves > 0 {
		q.t.Logf("%s: the gain moves inside a phrase at %d frames", r.name, moves)
	}
}

// wordsIn are the words that lie in a phrase.
func (m ownMap) wordsIn(p stretch) []stretch {
	var out []stretch
	for _, w := range m.words {
		if w.from >= p.from && w.to <= p.to {
			out = append(out, w)
		}
	}
	return out
}

// breaths lays breaths before phrases of unlike levels, in a room so loud that pauses
// are eased: each must have the gain of its phrase (aim 3).
func (q *quality) breaths() {
	const aim = "3 steady phrases"
	tape := made.NewTape(77)
	tape.Pause(1)
	var breaths []stretch
	var phrases []int
	for i := range 12 {
		level := -24 + []float64{0, 6, -6, 3, -8, 5}[i%6]
		from := len(tape.Samples)
		tape.Breath(level-18, 0.45)
		breaths = append(breaths, stretch{from, len(tape.Samples)})
		tape.Pause([]float64{0.05, 0.1, 0.2}[i%3])
		phrases = append(phrases, len(tape.Samples)+sampleRateHz/2)
		tape.Phrase(level, 1.6, made.None, made.None)
		tape.Pause(0.9)
	}
	tape.Pause(1)
	tape.Room(-62)
	_, shift, p := q.masterOf(tape.Float32(), nil)
	for i, b := range breaths {
		if i == 0 {
			continue // in the head a breath may be replaced whole
		}
		want := float64(p.GainDB[(phrases[i]+shift)/frameSamples])
		var off []float64
		// The middle of it, where it is heard.
		for k := b.from + sampleRateHz/10; k < b.to-sampleRateHz/10; k += frameSamples {
			off = append(off, math.Abs(float64(p.GainDB[(k+shift)/frameSamples])-want))
		}
		q.most(aim, "gain of a breath away from that of its phrase, dB", 0.5, slices.Max(off), fmt.Sprintf("breath %d", i+1))
	}
}
