package pipeline

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

// flat is a plan without gain or limiting over the given segments.
func flat(segments ...Segment) Plan {
	at := 0
	for i := range segments {
		segments[i].At = at
		at += segments[i].Frames
	}
	return Plan{Segments: segments, GainDB: make([]float32, at+1)}
}

// TestRenderNothingToDo wants the raw back bit for bit where the plan asks for
// nothing: a whole raw, a part of it, and two parts that follow on each other.
func TestRenderNothingToDo(t *testing.T) {
	x := white(200*frameSamples, 0.1, 1)
	rec := recorded(t, x)
	for name, c := range map[string]struct {
		plan     Plan
		from, to int
	}{
		"whole":     {flat(Segment{Frames: 200}), 0, 200},
		"part":      {flat(Segment{From: 30, Frames: 100}), 30, 130},
		"one frame": {flat(Segment{From: 7, Frames: 1}), 7, 8},
	} {
		got := rendered(t, c.plan, []*recording{rec}, 4096)
		want := x[c.from*frameSamples : c.to*frameSamples]
		if len(got) != len(want) {
			t.Errorf("%s: %d samples, want %d", name, len(got), len(want))
		} else if !slices.Equal(got, want) {
			t.Errorf("%s: samples were changed", name)
		}
	}
	// A cut at which nothing is left out is still faded, from the same onto the
	// same; away from the fade it must be exact.
	got := rendered(t, flat(Segment{Frames: 80}, Segment{From: 80, Frames: 120}), []*recording{rec}, 4096)
	edge := 80 * frameSamples
	if !slices.Equal(got[:edge-fadeSamples/2], x[:edge-fadeSamples/2]) || !slices.Equal(got[edge+fadeSamples/2:], x[edge+fadeSamples/2:]) {
		t.Error("samples away from the cut were changed")
	}
}

// TestRenderGain wants the gain of each frame, moving in a straight line of
// amplitude to the next, and the overall gain on top.
func TestRenderGain(t *testing.T) {
	x := slices.Repeat([]float32{0.25}, 4*frameSamples)
	plan := flat(Segment{Frames: 4})
	plan.GainDB = []float32{0, 0, -6, -6, -6}
	plan.OverallDB = 3
	got := rendered(t, plan, []*recording{recorded(t, x)}, 1000)
	up, down := dbToAmplitude(3), dbToAmplitude(-3)
	for i, want := range map[int]float64{0: up, 440: up, 441: up, 2 * 441: down, 4*441 - 1: down, 441 + 147: up + (down-up)/3, 441 + 294: up + (down-up)*2/3} {
		if math.Abs(float64(got[i])/0.25-want) > 1e-6 {
			t.Errorf("sample %d: gain %.6f, want %.6f", i, got[i]/0.25, want)
		}
	}
}

// TestCrossFadeKeepsPower plays 60 edges between two rooms' noises of one level:
// in each 5 ms around the edge the power, averaged over all edges, stays within
// 0.5 dB of the level.
func TestCrossFadeKeepsPower(t *testing.T) {
	recs := []*recording{
		recorded(t, white(3*sampleRateHz, 0.01, 1)),
		recorded(t, white(3*sampleRateHz, 0.01, 2)),
	}
	for name, segment := range map[string]func(i int) Segment{
		"tone to tone": func(i int) Segment { return Segment{Raw: i % 2, Tone: true, Frames: 10} },
		"raw to tone":  func(i int) Segment { return Segment{Raw: i % 2, Tone: i%2 == 0, From: 10 + 4*i, Frames: 10} },
		"raw to raw":   func(i int) Segment { return Segment{Raw: i % 2, From: 10 + 4*i, Frames: 10} },
	} {
		t.Run(name, func(t *testing.T) {
			var segments []Segment
			for i := range 61 {
				segments = append(segments, segment(i))
			}
			got := rendered(t, flat(segments...), recs, 4096)
			const piece, period = frameSamples / 2, 10 * frameSamples
			for k := -4; k < 4; k++ {
				var around []float32
				for edge := period; edge < len(got); edge += period {
					around = append(around, got[edge+k*piece:edge+(k+1)*piece]...)
				}
				if level := rmsDBFS(around); math.Abs(level+40) > 0.5 {
					t.Errorf("%d ms from the edge the level is %.2f dBFS, want -40 within 0.5", 5*k, level)
				}
			}
		})
	}
}

// TestCrossFadeHasNoClick cuts a tone where it jumps to the opposite phase: no
// two neighboring samples may differ by more than the tone and the curve of the
// fade allow, 10 % over the tone's own largest step.
func TestCrossFadeHasNoClick(t *testing.T) {
	const hz = 50.0 // half a period is one frame
	rec := recorded(t, sine(300*frameSamples, hz, 0.5))
	got := rendered(t, flat(Segment{Frames: 50}, Segment{From: 101, Frames: 50}), []*recording{rec}, 4096)
	largest := 0.0
	for i := 1; i < len(got); i++ {
		largest = max(largest, math.Abs(float64(got[i]-got[i-1])))
	}
	own := 0.5 * 2 * math.Pi * hz / sampleRateHz
	// Fading over n samples adds a slope of pi/2/n of the amplitude, on both sides.
	if most := own*1.1 + 0.5*math.Pi/fadeSamples; largest > most {
		t.Errorf("a step of %.5f at the cut; the tone's own is %.5f, the fade allows %.5f", largest, own, most)
	}
}

// TestRenderDoesNotHangOnBlocks wants the same samples for any length asked
// for, and the same again from another renderer, made tone and limiter included.
func TestRenderDoesNotHangOnBlocks(t *testing.T) {
	r1, _ := wordsIn(t, -60, -18, -24)
	r2, _ := wordsIn(t, -55, -20)
	plan := flat(
		Segment{Tone: true, Frames: 50}, Segment{From: 95, Frames: 150}, Segment{Tone: true, Frames: 1},
		Segment{From: 250, Frames: 3}, Segment{Tone: true, Frames: 130}, Segment{Raw: 1, From: 0, Frames: 220},
		Segment{Raw: 1, Tone: true, Frames: 200},
	)
	plan.OverallDB, plan.CeilingDBFS = 12, -6
	recs := []*recording{r1, r2}
	want := rendered(t, plan, recs, 1<<20)
	if n := len(plan.GainDB) - 1; len(want) != n*frameSamples {
		t.Fatalf("%d samples, want %d frames", len(want), n)
	}
	for _, block := range []int{1, 441, 1152, 5000, 1 << 20} {
		if got := rendered(t, plan, recs, block); !slices.Equal(got, want) {
			t.Errorf("blocks of %d: other samples", block)
		}
	}
	peak := 0.0
	for _, v := range want {
		peak = max(peak, math.Abs(float64(v)))
	}
	if ceiling := dbToAmplitude(-6); peak > ceiling*(1+2e-7) || peak < ceiling*0.9 {
		t.Errorf("the peak is %.4f under a ceiling of %.4f: the limiter was not at work", peak, ceiling)
	}
	if s := fmt.Sprint(longestZeros(want)); s != "1" && s != "0" {
		t.Errorf("%s zeros in a row", s)
	}
}

// longestZeros is the longest run of exact zeros.
func longestZeros(x []float32) int {
	most, run := 0, 0
	for _, v := range x {
		if run++; v != 0 {
			run = 0
		}
		most = max(most, run)
	}
	return most
}

// TestRenderTellsAFailedRead wants the error of a scratch file that lost its end.
func TestRenderTellsAFailedRead(t *testing.T) {
	rec := recorded(t, white(300*frameSamples, 0.1, 1))
	if err := rec.scratch.file.Truncate(100 * frameSamples * sampleBytes); err != nil {
		t.Fatal(err)
	}
	r := newRenderer(flat(Segment{Frames: 300}), []*recording{rec})
	dst := make([]float32, 4096)
	for range 100 {
		if n, err := r.read(dst); err != nil {
			if n != 0 || r.next > 100*frameSamples {
				t.Errorf("%d samples with the error %v, at %d", n, err, r.next)
			}
			return
		}
	}
	t.Error("no error")
}
