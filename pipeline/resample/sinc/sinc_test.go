package sinc

import (
	"math"
	"testing"
)

// Abramowitz and Stegun, Handbook of Mathematical Functions, table 9.8:
// exp(-x) I0(x) at 1, 5 and 10.
func TestBesselI0(t *testing.T) {
	for _, test := range []struct{ x, want float64 }{
		{0, 1}, {1, 0.4657596077}, {5, 0.1835408126}, {10, 0.1278333372},
	} {
		if got := math.Exp(-test.x) * besselI0(test.x); math.Abs(got-test.want) > 1e-9 {
			t.Errorf("exp(-%g) I0(%g) = %.10f, want %.10f", test.x, test.x, got, test.want)
		}
	}
}

// TestResponse holds that the filter does what was asked, by its Fourier sum.
func TestResponse(t *testing.T) {
	const attenuationDB, pass, stop = 100, 0.20, 0.25
	half := math.Ceil(Length(attenuationDB, stop-pass) / 2)
	f := NewLowPass((pass+stop)/2, half, attenuationDB)
	for hz := 0.0; hz <= 0.5; hz += 0.001 {
		gain := 0.0
		for n := -half; n <= half; n++ {
			gain += f.At(n) * math.Cos(2*math.Pi*hz*n)
		}
		// Kaiser's estimate is good to about 1 dB.
		const ripple = 1.2e-5
		if hz <= pass && math.Abs(gain-1) > ripple {
			t.Errorf("gain at %.3f is %.7f, want 1", hz, gain)
		}
		if hz >= stop && math.Abs(gain) > ripple {
			t.Errorf("gain at %.3f is %.7f, want 0", hz, gain)
		}
	}
}

func TestPhaseSumsToOne(t *testing.T) {
	f := NewLowPass(0.4, 16, 80)
	taps := make([]float64, 32)
	for at := 0.0; at < 1; at += 0.07 {
		f.Phase(taps, at)
		sum := 0.0
		for _, tap := range taps {
			sum += tap
		}
		if math.Abs(sum-1) > 1e-12 {
			t.Errorf("taps at %.2f sum to %v", at, sum)
		}
	}
}
