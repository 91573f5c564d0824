package pipeline

import (
	"math/rand/v2"
	"testing"

	"lectern/pipeline/findings"
	"lectern/pipeline/speech"
	"lectern/pipeline/takes"
)

// Each benchmark hears one second at 44.1 kHz, so ns/op are ns per second of sound. The
// sound is a made reading, loud enough that the limiter has work in half of it.
func BenchmarkSteps(b *testing.B) {
	second := benchSecond()
	mono, buf := [][]float32{second}, make([]float32, len(second))
	rumble, limit := newRumbleFilter(70), newLimiter(-12)
	power, lev := framePower{}, newLevels(sampleRateHz, 1)
	analyzer, voice, marks := speech.NewAnalyzer(), takes.NewAnalyzer(), takes.NewMarkListener()
	listener, samples := findings.NewListener(), findings.NewSamples(sampleRateHz, 1)
	for _, step := range []struct {
		name string
		hear func()
	}{
		{"rumble filter", func() { rumble.apply(buf) }},
		{"power of frames", func() { power.add(second); power.power = power.power[:0] }},
		{"limiter", func() { limit.apply(buf) }},
		{"levels", func() { lev.add(mono) }},
		{"map", func() { analyzer.Add(second) }},
		{"cepstra", func() { voice.Add(second) }},
		{"marks", func() { marks.Add(second) }},
		{"faults of the room", func() { listener.Add(second) }},
		{"faults of the samples", func() { samples.Add(mono) }},
	} {
		b.Run(step.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				copy(buf, second)
				step.hear()
			}
		})
	}
}

// benchSecond is a second of noise and tones in syllables over a soft room.
func benchSecond() []float32 {
	r := rand.New(rand.NewPCG(3, 4))
	x := make([]float32, sampleRateHz)
	var slow float64
	for i := range x {
		slow = 0.93*slow + 0.07*r.NormFloat64()
		loud := []float64{0.9, 0.3, 0.002, 0.6, 0.1, 0.001}[i*6/len(x)]
		x[i] = float32(int(32768*(loud*slow+0.0005*r.NormFloat64()))) / 32768
	}
	return x
}
