package meter

import "testing"

// Each benchmark hears one second of 44.1 kHz sound with the rise and fall of
// speech, and says how many times faster than real time it is.
func BenchmarkMeters(b *testing.B) {
	const rateHz = 44100
	second := speechLike(rateHz)
	loudest := tone(rateHz, 9973, step{1, -3})
	steady := NewTruePeak(rateHz)
	rms, peak, truePeak := NewRMS(), NewPeak(), NewTruePeak(rateHz)
	loudness, speech := NewLoudness(rateHz, 1), NewActiveSpeech(rateHz)
	mono := [][]float32{second}
	for _, test := range []struct {
		name string
		add  func()
	}{
		{"RMS", func() { rms.Add(second) }},
		{"Peak", func() { peak.Add(second) }},
		{"TruePeak", func() { truePeak.Add(second) }},
		{"TruePeak_of_a_steady_tone", func() { steady.Add(loudest) }},
		{"Loudness", func() { loudness.Add(mono) }},
		{"ActiveSpeech", func() { speech.Add(second) }},
		{"all", func() {
			rms.Add(second)
			peak.Add(second)
			truePeak.Add(second)
			loudness.Add(mono)
			speech.Add(second)
		}},
	} {
		b.Run(test.name, func(b *testing.B) {
			for b.Loop() {
				test.add()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/rateHz, "ns/sample")
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "x_real_time")
		})
	}
}

// speechLike is noise in syllables of a quarter second, each of another level.
func speechLike(rateHz int) []float32 {
	var x []float32
	for i, amplitude := range []float64{0.5, 0.08, 0.3, 0.001} {
		x = append(x, noise(rateHz/4, amplitude, uint32(i+1))...)
	}
	return x
}
