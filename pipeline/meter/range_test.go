package meter

import (
	"math"
	"testing"
)

// rangeOfSteps is the loudness range of a tone that goes through steps.
func rangeOfSteps(steps ...step) float64 {
	return float64(measuredLoudness(48000, 1, tone(48000, 1000, steps...)).LoudnessRangeLU())
}

// TestRangeGates puts the soft part a little above and a little below each gate of
// Tech 3342 section 3.1, so that a gate elsewhere gives another range.
func TestRangeGates(t *testing.T) {
	for name, c := range map[string]struct {
		steps       []step
		least, most float64
	}{
		// Both parts as long: the mean lies 2.97 LU under the loud one, the gate 22.97.
		"relative gate, 22 LU under": {[]step{{60, -20}, {60, -42}}, 21, 23},
		"relative gate, 24 LU under": {[]step{{60, -20}, {60, -44}}, 0, 3},
		// Two thirds lie under -70 LUFS. Counted in, they would be within 20 LU of the mean.
		"absolute gate": {[]step{{30, -57}, {60, -72}}, 0, 3},
	} {
		if got := rangeOfSteps(c.steps...); got < c.least || got > c.most {
			t.Errorf("%s: %.2f LU, want %g to %g", name, got, c.least, c.most)
		}
	}
}

// TestRangeTopIsThe95thPercentile has a loud part that reaches into 4.5 % of all
// windows: the 95th percentile is not among them, a higher one would be.
func TestRangeTopIsThe95thPercentile(t *testing.T) {
	// 6 s touch 3 + 6 s of window starts, 90 of some 1,990 windows.
	if got := rangeOfSteps(step{100, -30}, step{6, -20}, step{94, -30}); got > 0.1 {
		t.Errorf("%.2f LU, want 0", got)
	}
	// 9 s touch 120 of 2,020, 6 %.
	if got := rangeOfSteps(step{100, -30}, step{9, -20}, step{94, -30}); got < 2 {
		t.Errorf("%.2f LU, want the loud part in it", got)
	}
}

// TestRangeTail holds the 1.5 s of silence that follow a file (Tech 3342): of 2.9 s
// of tone there are 15 windows, holding 2.9, 2.8 ... 1.5 s of it. By nearest rank
// the 10 % point is the second softest, the 95 % point the second loudest.
func TestRangeTail(t *testing.T) {
	want := 10 * math.Log10(2.8/1.6)
	if got := rangeOfSteps(step{2.9, -20}); math.Abs(got-want) > 0.02 {
		t.Errorf("%.3f LU, want %.3f", got, want)
	}
}
