package findings

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// lowPassed cuts x off at an edge: a windowed sinc (Blackman) that falls within 400
// Hz, as the filters of converters do.
func lowPassed(x []float32, rateHz int, edgeHz float64) []float32 {
	half := 3 * rateHz / 400
	taps := make([]float64, 2*half+1)
	for i := range taps {
		at := float64(i - half)
		t := math.Pi * at / float64(half+1)
		taps[i] = 2 * edgeHz / float64(rateHz) * (0.42 + 0.5*math.Cos(t) + 0.08*math.Cos(2*t))
		if at != 0 {
			w := 2 * math.Pi * edgeHz / float64(rateHz) * at
			taps[i] *= math.Sin(w) / w
		}
	}
	out := make([]float32, len(x))
	for i := range x {
		var sum float64
		for k := max(0, half-i); k < min(len(taps), len(x)-i+half); k++ {
			sum += taps[k] * float64(x[i+k-half])
		}
		out[i] = float32(sum)
	}
	return out
}

func bandHeard(rateHz int, x []float32) float64 {
	b := newBandMeter(rateHz)
	b.add([][]float32{x})
	return b.conclude()
}

// TestNarrowBand cuts speech off where telephones and headsets do. Anyone hears 4
// kHz, a careful listener 8 kHz: all must be found where the voice itself goes
// beyond the edge, within a sixth of an octave.
func TestNarrowBand(t *testing.T) {
	tally := newTally("narrow band")
	for _, s := range cleanSounds() {
		narrow := strings.HasPrefix(s.name, "kerstin") || strings.HasPrefix(s.name, "lyra")
		if narrow || len(s.x) < 5*s.rateHz {
			continue
		}
		x := s.x[:min(len(s.x), 6*s.rateHz)]
		for _, edgeHz := range []float64{3400, 4000, 7000, 8000} {
			if float64(s.rateHz) < 1.3*rateOverEdge*edgeHz {
				continue
			}
			got := bandHeard(s.rateHz, rounded(lowPassed(x, s.rateHz, edgeHz), 0))
			n := 0
			if got > edgeHz/1.12 && got < edgeHz*1.12 {
				n = 1
			} else {
				t.Logf("%s, edge at %g Hz: told %.0f", s.name, edgeHz, got)
			}
			tally.note(fmt.Sprintf("%g Hz", edgeHz), n, 1)
		}
	}
	t.Log(tally)
	for _, row := range tally.rows {
		tally.least(t, row, 1)
	}
}

// TestDullVoice wants no edge told where a voice only gets softer upwards, by 12 dB an
// octave more than it does from 2 kHz, nor where MP3 ends the band at 16 kHz.
func TestDullVoice(t *testing.T) {
	for _, s := range cleanSounds() {
		if strings.HasPrefix(s.name, "kerstin") || strings.HasPrefix(s.name, "lyra") {
			continue
		}
		x := s.x
		for range 2 {
			k, y := 1-math.Exp(-2*math.Pi*2000/float64(s.rateHz)), 0.0
			x = changed(x, func(v float64) float64 { y += k * (v - y); return y })
		}
		if got := bandHeard(s.rateHz, rounded(x, 1)); got != 0 {
			t.Errorf("%s made dull: the band ends at %.0f Hz", s.name, got)
		}
		if s.rateHz == 44100 {
			if got := bandHeard(s.rateHz, rounded(lowPassed(s.x, s.rateHz, 16000), 0)); got != 0 {
				t.Errorf("%s up to 16 kHz: the band ends at %.0f Hz", s.name, got)
			}
		}
	}
}
