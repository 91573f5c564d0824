package findings

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"lectern/pipeline/internal/made"
)

// dropsHeard listens for nothing but drop-outs.
func dropsHeard(rateHz int, x []float32) []DropOut {
	s := NewSamples(rateHz, 1)
	s.stretchers[0].each(x, s.drops[0].add)
	s.drops[0].measure(x)
	return s.Conclude().DropOuts
}

// TestDropOuts plants gaps of silence and held samples, at places of different
// level. A gap of 1 ms in a word is heard as a click: of gaps in the loud parts of words
// 9 in 10 must be found (the rest is in the one recording whose room is so loud that
// words hardly stand over it); of held samples, which now and then happen to hold
// a top and pass for a clipped wave, 3 in 4.
func TestDropOuts(t *testing.T) {
	tally := newTally("drop-out")
	levels := []struct {
		name   string
		dB, to float64
	}{{"loud", -6, 99}, {"down to -12 dB", -12, -6}, {"down to -18 dB", -18, -12}, {"down to -30 dB", -30, -18}}
	for _, s := range cleanSounds() {
		for _, ms := range []float64{0.5, 1.1, 2, 10, 50, 300} {
			length := int(math.Ceil(ms / 1000 * float64(s.rateHz)))
			for _, level := range levels {
				for _, hold := range []bool{false, true} {
					x := slices.Clone(s.x)
					at := placesAt(s, 8, length, level.dB, level.to)
					for _, i := range at {
						value := float32(0)
						if hold {
							value = x[i-1]
						}
						for k := range length {
							x[i+k] = value
						}
					}
					got := dropsHeard(s.rateHz, x)
					n := 0
					for _, i := range at {
						from, until := float64(i)/float64(s.rateHz), float64(i+length)/float64(s.rateHz)
						for _, d := range got {
							if math.Abs(d.FromS-from) < 0.0005 && math.Abs(d.UntilS-until) < 0.0005 {
								n++
								break
							}
						}
					}
					what := "silence"
					if hold {
						what = "held sample"
					}
					tally.note(fmt.Sprintf("%g ms of %s, %s", ms, what, level.name), n, len(at))
				}
			}
		}
	}
	t.Log(tally)
	for _, ms := range []float64{1.1, 2, 10, 50, 300} {
		tally.least(t, fmt.Sprintf("%g ms of silence, loud", ms), 0.9)
		tally.least(t, fmt.Sprintf("%g ms of held sample, loud", ms), 0.75)
		tally.least(t, fmt.Sprintf("%g ms of silence, down to -12 dB", ms), 0.88)
		tally.least(t, fmt.Sprintf("%g ms of held sample, down to -12 dB", ms), 0.75)
	}
}

// TestGatesAreNoDropOuts wants nothing told of pauses that a gate made silent,
// closing within 0 to 20 ms, of silence at the edges, or of a wave that is clipped flat
// for longer than a drop-out takes.
func TestGatesAreNoDropOuts(t *testing.T) {
	for _, s := range cleanSounds() {
		for _, fadeS := range []float64{0, 0.002, 0.02} {
			x := gated(s, fadeS)
			if got := dropsHeard(s.rateHz, x); len(got) > 0 {
				t.Errorf("%s, gated within %g s: %d drop-outs, the first at %.3f s", s.name, fadeS, len(got), got[0].FromS)
			}
		}
	}
	x := spoken(4)
	for i := range x {
		x[i] = max(-0.1, min(0.1, 20*x[i]))
	}
	flat := reaching(x, made.RateHz/1000, func(v float32) bool { return v == 0.1 })
	if len(flat) == 0 {
		t.Fatal("no wave is flat for a millisecond")
	}
	if got := dropsHeard(made.RateHz, x); len(got) > 0 {
		t.Errorf("clipped flat: %d drop-outs", len(got))
	}
}

// gated makes silent what stays 40 dB under the highest sample for a tenth of a
// second.
func gated(s sound, fadeS float64) []float32 {
	var peak float32
	for _, v := range s.x {
		peak = max(peak, abs(v))
	}
	x := slices.Clone(s.x)
	quiet := func(v float32) bool { return abs(v) < peak/100 }
	fade := int(fadeS * float64(s.rateHz))
	for _, p := range reaching(x, s.rateHz/10, quiet) {
		for i := p.From; i < p.To; i++ {
			edge := float64(min(i-p.From, p.To-1-i))
			if edge >= float64(fade) {
				x[i] = 0
			} else {
				x[i] *= float32(1 - edge/float64(fade))
			}
		}
	}
	return rounded(x, 0)
}
