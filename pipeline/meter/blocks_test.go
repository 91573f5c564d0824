package meter

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"
)

// answers are all figures of all meters, compared to the bit.
type answers struct {
	rms, peak, truePeak, integrated, momentary, shortTerm, lra, speech DB
	share                                                              float64
}

// heard is what the meters say of x, on two channels that differ, in blocks of
// the lengths that next gives.
func heard(rateHz int, x []float32, next func(left int) int) answers {
	rms, peak, truePeak := NewRMS(), NewPeak(), NewTruePeak(rateHz)
	loudness, speech := NewLoudness(rateHz, 2), NewActiveSpeech(rateHz)
	other := make([]float32, len(x))
	for i, v := range x {
		other[len(x)-1-i] = v / 2
	}
	for at := 0; at < len(x); {
		end := at + next(len(x)-at)
		rms.Add(x[at:end])
		peak.Add(x[at:end])
		truePeak.Add(x[at:end])
		loudness.Add([][]float32{x[at:end], other[at:end]})
		speech.Add(x[at:end])
		at = end
	}
	return answers{
		rms.DBFS(), peak.DBFS(), truePeak.DBTP(), loudness.IntegratedLUFS(), loudness.MaxMomentaryLUFS(),
		loudness.MaxShortTermLUFS(), loudness.LoudnessRangeLU(), speech.Level(), speech.SharePct(),
	}
}

// fading is noise in bursts, each softer, with pauses; its length is no whole
// number of hops.
func fading(rateHz int) []float32 {
	var x []float32
	for i := range 8 {
		x = append(x, noise(rateHz/2, 1/float64(i+1), uint32(i+1))...)
		x = append(x, make([]float32, rateHz/5)...)
	}
	return x[:len(x)-17]
}

// TestBlocks holds that no bit of any meter's answer depends on how the samples
// are cut.
func TestBlocks(t *testing.T) {
	for _, rateHz := range []int{44100, 48000, 96000} {
		x := fading(rateHz)
		whole := heard(rateHz, x, func(left int) int { return left })
		if whole.lra.IsSilent() || whole.shortTerm.IsSilent() || whole.speech.IsSilent() {
			t.Fatalf("%d Hz: a figure is missing: %+v", rateHz, whole)
		}
		for _, size := range []int{1, 7, 441, 4096} {
			t.Run(fmt.Sprintf("%d Hz in blocks of %d", rateHz, size), func(t *testing.T) {
				if cut := heard(rateHz, x, func(left int) int { return min(left, size) }); cut != whole {
					t.Errorf("in one go %+v\nin blocks %+v", whole, cut)
				}
			})
		}
	}
}

func TestBlocksOfAnySize(t *testing.T) {
	rates := map[int][]float32{}
	for _, rateHz := range []int{8000, 11025, 22050, 44100, 48000} {
		rates[rateHz] = fading(rateHz)
	}
	rapid.Check(t, func(t *rapid.T) {
		rateHz := rapid.SampledFrom([]int{8000, 11025, 22050, 44100, 48000}).Draw(t, "rate_hz")
		longest := rapid.SampledFrom([]int{600, 9000, 60000}).Draw(t, "longest")
		x := rates[rateHz]
		whole := heard(rateHz, x, func(left int) int { return left })
		cut := heard(rateHz, x, func(left int) int { return min(left, rapid.IntRange(0, longest).Draw(t, "block")) })
		if whole != cut {
			t.Fatalf("in one go %+v\nin blocks %+v", whole, cut)
		}
	})
}
