package findings

import (
	"math"
	"testing"

	"lectern/pipeline/speech"
)

// TestMurmurIsNoThump wants a voice that holds its level shortly before a word taken for the
// word's first consonant, and one that dies away there, or stands by itself, for a thump.
func TestMurmurIsNoThump(t *testing.T) {
	for name, c := range map[string]struct {
		before float64 // s from its beginning to the word
		decayS float64
		thump  bool
	}{
		"a first consonant": {before: 0.22, decayS: math.Inf(1)},
		"a thump":           {before: 0.22, decayS: 0.06, thump: true},
		"in mid-pause":      {before: 0.45, decayS: math.Inf(1), thump: true},
	} {
		t.Run(name, func(t *testing.T) {
			x := reading(3).Float32()
			a := speech.NewAnalyzer()
			a.Add(x)
			var word int // the sample at which one begins behind a long pause
			for _, p := range speech.Draw(a.Features()).Pauses[1:] {
				if p.Len() > 90 {
					word = p.To * speech.FrameSamples
					break
				}
			}
			from := word - int(c.before*speech.SampleRateHz)
			for i := range int(0.07 * speech.SampleRateHz) {
				s := float64(i) / speech.SampleRateHz
				wave := math.Sin(2*math.Pi*110*s) + math.Sin(2*math.Pi*220*s)/2 + math.Sin(2*math.Pi*330*s)/3
				x[from+i] += float32(0.01 * wave * math.Exp(-s/c.decayS) * min(1, s/0.003, (0.07-s)/0.003))
			}
			got := heard(x, 4096).Bumps
			if c.thump != (len(got) == 1 && got[0].Thump) || !c.thump && len(got) > 0 {
				t.Errorf("told is %+v", got)
			}
		})
	}
}
