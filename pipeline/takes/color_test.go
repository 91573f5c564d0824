package takes

import (
	"math"
	"math/rand/v2"
	"testing"

	"lectern/pipeline/speech"
)

// The same words through a shelf that lifts everything above 1 kHz: the octaves differ by
// what the filter's own formula says, to within a dB.
func TestColorOfAFilter(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const n = 3 * speech.SampleRateHz
	plain, shelved := make([]float32, n), make([]float32, n)
	const gain = 2.0 // 6 dB
	a := 1 - math.Exp(-2*math.Pi*1000/speech.SampleRateHz)
	low := 0.0
	for i := range plain {
		x := rng.NormFloat64() / 20
		low += a * (x - low)
		plain[i], shelved[i] = float32(x), float32(low+gain*(x-low))
	}
	voice := func(x []float32) *Voice {
		an := NewAnalyzer()
		an.Add(x)
		f := &speech.Features{Power: make([]float32, n/speech.FrameSamples)}
		for i := range f.Power {
			f.Power[i] = 1
		}
		return voiceOn(an, &speech.Map{Features: f, Phrases: []speech.Span{{From: 10, To: 290}}, Runs: []speech.Span{{From: 10, To: 290}}})
	}
	first, second := lineOf(0, voice(plain)), lineOf(1, voice(shelved))
	got := color(first.where(0, 280), second.where(0, 280))
	want := make([]float64, len(OctaveHz))
	var mean float64
	for i, hz := range OctaveHz {
		// |H| of low + gain (1 - low), low = a / (1 - (1-a) z^-1).
		w := 2 * math.Pi * hz / speech.SampleRateHz
		re, im := 1-(1-a)*math.Cos(w), (1-a)*math.Sin(w)
		d := re*re + im*im
		lr, li := a*re/d, -a*im/d
		want[i] = 10 * math.Log10((lr+gain*(1-lr))*(lr+gain*(1-lr))+(li-gain*li)*(li-gain*li))
		mean += want[i] / float64(len(OctaveHz))
	}
	for i := range want {
		if w := want[i] - mean; math.Abs(got[i]-w) > 1 {
			t.Errorf("%g Hz: %.2f dB, want %.2f", OctaveHz[i], got[i], w)
		}
	}
	if color(first.where(0, 30), second.where(0, 30)) != nil {
		t.Error("a third of a second is too little to compare")
	}
}
