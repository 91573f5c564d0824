package pipeline

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

// TestRumbleResponse holds the filter to the closed form of a fourth-order
// Butterworth high-pass, 1/(1+(fc/f)^8), its frequencies warped as the bilinear
// transform does. Within 0.01 dB, 0.05 dB more than 40 dB down.
func TestRumbleResponse(t *testing.T) {
	for _, corner := range []float64{70, 40, 120} {
		impulse := make([]float32, 4*sampleRateHz)
		impulse[0] = 1
		newRumbleFilter(corner).apply(impulse)
		warp := func(hz float64) float64 { return math.Tan(math.Pi * hz / sampleRateHz) }
		for _, hz := range []float64{20, 35, 70, 140, 1000} {
			n := float64(len(impulse))
			got := 10 * math.Log10(lineAt(impulse, hz)*n*n/2)
			want := -10 * math.Log10(1+math.Pow(warp(corner)/warp(hz), 8))
			tolerance := 0.01
			if want < -40 {
				tolerance = 0.05
			}
			if math.Abs(got-want) > tolerance {
				t.Errorf("corner %g Hz: %.3f dB at %g Hz, want %.3f within %g", corner, got, hz, want, tolerance)
			}
			if hz == corner && math.Abs(got+3.01) > 0.01 {
				t.Errorf("%.3f dB at the corner, want -3.01", got)
			}
		}
	}
}

func TestRumbleFilterTakesOffsetAway(t *testing.T) {
	x := make([]float32, 2*sampleRateHz)
	for i := range x {
		x[i] = 0.5
	}
	newRumbleFilter(70).apply(x)
	for i, v := range x[sampleRateHz:] {
		if math.Abs(float64(v)) > 1e-6 {
			t.Fatalf("an offset of 0.5 is still %g after %.2f s", v, 1+float64(i)/sampleRateHz)
		}
	}
}

func TestRumbleFilterOff(t *testing.T) {
	x := white(10000, 0.2, 3)
	got := slices.Clone(x)
	newRumbleFilter(0).apply(got)
	if !slices.Equal(got, x) {
		t.Error("a corner of 0 changed samples")
	}
}

func TestRumbleFilterInBlocks(t *testing.T) {
	x := white(10000, 0.2, 3)
	whole, cut := slices.Clone(x), slices.Clone(x)
	newRumbleFilter(70).apply(whole)
	f := newRumbleFilter(70)
	for rest := cut; len(rest) > 0; {
		n := min(77, len(rest))
		f.apply(rest[:n])
		rest = rest[n:]
	}
	if !slices.Equal(whole, cut) {
		t.Error("another output in other blocks")
	}
}

// TestFramePower holds the power of a frame to a known one, whatever the blocks.
func TestFramePower(t *testing.T) {
	x := append(slices.Repeat([]float32{0.5}, frameSamples), slices.Repeat([]float32{-0.25}, frameSamples+300)...)
	for _, block := range []int{1, 100, 441, 5000} {
		var p framePower
		for rest := x; len(rest) > 0; {
			n := min(block, len(rest))
			p.add(rest[:n])
			rest = rest[n:]
		}
		got := p.frames(3)
		if want := []float32{0.25, 0.0625}; !slices.Equal(got[:2], want) {
			t.Errorf("blocks of %d: %v, want %v first", block, got, want)
		}
		if want := 0.0625 * 300 / frameSamples; math.Abs(float64(got[2])-want) > 1e-6 {
			t.Errorf("blocks of %d: the last piece has %g, want %g", block, got[2], want)
		}
	}
	if s := fmt.Sprint(digitalSilence([]float32{0, 1e-13, 1e-11, 0.1})); s != "[true true false false]" {
		t.Errorf("digital silence: %s", s)
	}
}

// apply filters block in place.
func (f *biquad) apply(block []float32) {
	for i, x := range block {
		block[i] = f.next(x)
	}
}
