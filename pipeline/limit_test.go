package pipeline

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// limited passes x through a limiter in blocks, followed by silence, and returns
// it without the delay.
func limited(x []float32, ceilingDBFS float64, block int) []float32 {
	return limitedBy(newLimiter(ceilingDBFS), x, block)
}

func limitedBy(l *limiter, x []float32, block int) []float32 {
	out := append(slices.Clone(x), make([]float32, limiterDelay)...)
	for rest := out; len(rest) > 0; {
		n := min(block, len(rest))
		l.apply(rest[:n])
		rest = rest[n:]
	}
	return out[limiterDelay:]
}

// TestLimiterIsNeverOver feeds bursts, tones, noise and single samples of up to
// 30 dB over the ceiling: nothing that comes out is over it, and cutting the
// stream up changes not a bit. The tolerance, 2e-7 (1.7 millionths of a decibel),
// is two steps of float32.
func TestLimiterIsNeverOver(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ceilingDBFS := rapid.Float64Range(-20, 0).Draw(t, "ceiling")
		var x []float32
		for range rapid.IntRange(1, 6).Draw(t, "parts") {
			n := rapid.IntRange(1, 3000).Draw(t, "length")
			peak := dbToAmplitude(ceilingDBFS + rapid.Float64Range(-40, 30).Draw(t, "over"))
			switch rapid.IntRange(0, 3).Draw(t, "kind") {
			case 0:
				x = append(x, sine(n, rapid.Float64Range(20, 20000).Draw(t, "hz"), peak)...)
			case 1:
				x = append(x, white(n, peak/3, rapid.Uint64().Draw(t, "seed"))...)
			case 2:
				x = append(x, make([]float32, n)...)
				x[len(x)-1] = -float32(peak)
			case 3: // square, the largest steps there are
				for i := range n {
					x = append(x, float32(math.Copysign(peak, float64(i/50%2)-0.5)))
				}
			}
		}
		out := limited(x, ceilingDBFS, rapid.IntRange(1, 5000).Draw(t, "block"))
		ceiling := dbToAmplitude(ceilingDBFS) * (1 + 2e-7)
		for i, v := range out {
			if math.Abs(float64(v)) > ceiling {
				t.Fatalf("sample %d is %.9g, the ceiling %.9g", i, v, ceiling)
			}
			if math.Abs(float64(v)) > math.Abs(float64(x[i])) || v*x[i] < 0 {
				t.Fatalf("sample %d went from %g to %g: not turned down", i, x[i], v)
			}
		}
		if !slices.Equal(out, limited(x, ceilingDBFS, len(x)+limiterDelay)) {
			t.Fatal("another output in other blocks")
		}
	})
}

// TestLimiterLeavesAlone wants what lies under the ceiling back bit for bit,
// limiterDelay samples late, and again after something was limited and let go.
func TestLimiterLeavesAlone(t *testing.T) {
	x := white(3*sampleRateHz, 0.1, 1)
	if got := limited(x, -3, 1000); !slices.Equal(got, x) {
		t.Error("samples under the ceiling were changed")
	}
	x[1000] = 0.9
	got := limited(x, -3, 1000)
	if got[1000] == x[1000] || got[1100] == x[1100] {
		t.Error("the peak and what follows it were not turned down")
	}
	if !slices.Equal(got[:1000-limiterDelay], x[:1000-limiterDelay]) {
		t.Error("samples before the look-ahead were changed")
	}
	// The release takes 80 ms a factor of e: 1.4 s until it is within 1e-7.
	if from := 2 * sampleRateHz; !slices.Equal(got[from:], x[from:]) {
		t.Error("the limiter never let go")
	}
}

// TestLimiterSeesBetweenSamples wants the true peak no more than 0.5 dB over the
// ceiling (the project's own figure) where the largest values lie between samples.
// Limited by their samples alone, tones in their worst phase are 3 dB over it.
func TestLimiterSeesBetweenSamples(t *testing.T) {
	for name, x := range betweenSamples() {
		if over := truePeakDBTP(limited(x, -3, 4096)) + 3; over > 0.5 {
			t.Errorf("%s: true peak %.2f dB over the ceiling", name, over)
		}
	}
}

// TestLimiterPassesOverNothing holds that not looking between samples where all near
// are small changes not a bit: noise in swells of a quarter second, as loud as to be
// over the ceiling in some.
func TestLimiterPassesOverNothing(t *testing.T) {
	x := white(4*sampleRateHz, 1, 8)
	for i := range x {
		x[i] *= float32(0.35 * math.Pow(math.Sin(4*math.Pi*float64(i)/sampleRateHz), 2))
	}
	thorough := newLimiter(-3)
	thorough.loud = -1
	got, want := limited(x, -3, 1000), limitedBy(thorough, x, 1000)
	if slices.Equal(want, x) {
		t.Fatal("nothing was limited")
	}
	if !slices.Equal(got, want) {
		t.Error("something between samples was passed over")
	}
}

// TestLimiterKnowsInTime wants a lone sample 20 dB over the ceiling turned down
// together with its neighbors, not cut off: the gain is where it must be by then.
func TestLimiterKnowsInTime(t *testing.T) {
	x := slices.Repeat([]float32{0.01}, 3000)
	x[1000] = float32(dbToAmplitude(17))
	out := limited(x, -3, 500)
	gain := func(i int) float64 { return float64(out[i]) / float64(x[i]) }
	if g, want := gain(1000), dbToAmplitude(-20); math.Abs(g/want-1) > 1e-4 {
		t.Errorf("gain %.5f at the peak, want %.5f", g, want)
	}
	// Two averages of n values move by 1/n^2 of the way at their ends.
	for _, i := range []int{999, 1001} {
		if step := gain(i) - gain(1000); math.Abs(step) > 2./(lookSamples*lookSamples) {
			t.Errorf("gain steps by %.6f from the peak to sample %d", step, i)
		}
	}
}

// TestLimiterDistortion wants the harmonics of a steady tone 6 dB over the
// ceiling at least 60 dB under it (the project's own figure). A limiter that follows
// the wave would fail at 100 Hz first.
func TestLimiterDistortion(t *testing.T) {
	for _, hz := range []float64{100, 1000} {
		t.Run(fmt.Sprint(hz), func(t *testing.T) {
			thd, fundamental := limitedTone(hz)
			t.Logf("%.0f Hz: harmonics %.1f dB", hz, thd)
			if thd > -60 {
				t.Errorf("harmonics %.1f dB under the tone, want -60 or less", thd)
			}
			if level := 10 * math.Log10(2*fundamental); math.Abs(level+3) > 0.2 {
				t.Errorf("the tone came out with a peak of %.2f dBFS, want -3 within 0.2", level)
			}
		})
	}
}

// limitedTone limits a steady tone 6 dB over a ceiling of -3 dBFS. It returns the
// harmonics under the tone in dB, and the power of the tone that is left.
func limitedTone(hz float64) (thdDB, fundamental float64) {
	out := limited(sine(3*sampleRateHz, hz, dbToAmplitude(3)), -3, 4096)
	steady := out[2*sampleRateHz:] // one second, whole periods
	fundamental = lineAt(steady, hz)
	var harmonics float64
	for k := 2.0; k*hz < sampleRateHz/2; k++ {
		harmonics += lineAt(steady, k*hz)
	}
	return 10 * math.Log10(harmonics/fundamental), fundamental
}

// TestLimiterBursts wants no click at the edges of tone bursts: nothing above
// 5 kHz over -60 dBFS.
func TestLimiterBursts(t *testing.T) {
	x := make([]float32, 2*sampleRateHz)
	for at := 0; at+8820 <= len(x); at += 17640 {
		burst := sine(8820, 300, dbToAmplitude(5))
		for i := range burst { // the burst itself comes without a click
			burst[i] *= float32(math.Pow(math.Sin(math.Pi*float64(i)/8820), 2))
		}
		copy(x[at:], burst)
	}
	high := highPass(5000, 0.7)
	out := limited(x, -3, 4096)
	for range 3 {
		high.z1, high.z2 = 0, 0
		high.apply(out)
	}
	var peak float64
	for _, v := range out {
		peak = max(peak, math.Abs(float64(v)))
	}
	if db := 20 * math.Log10(peak); db > -60 {
		t.Errorf("above 5 kHz the bursts reach %.1f dBFS, want -60 or less", db)
	}
}

// lineAt is the mean square of the part of x at hz, where x holds whole periods.
func lineAt(x []float32, hz float64) float64 {
	var re, im float64
	for i, v := range x {
		sin, cos := math.Sincos(2 * math.Pi * hz * float64(i) / sampleRateHz)
		re += float64(v) * cos
		im += float64(v) * sin
	}
	n := float64(len(x))
	return 2 * (re*re + im*im) / (n * n)
}

// TestSlidingMin compares with looking at all values anew each time.
func TestSlidingMin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		reach := rapid.IntRange(1, 40).Draw(t, "reach")
		values := rapid.SliceOfN(rapid.Float64Range(0, 1), 1, 300).Draw(t, "values")
		s := slidingMin{reach: reach}
		for i, v := range values {
			want := slices.Min(values[max(0, i-reach+1) : i+1])
			if got := s.add(v); got != want {
				t.Fatalf("value %d: smallest of the last %d is %g, want %g", i, reach, got, want)
			}
		}
	})
}

// TestSmoother compares with adding up anew each time, within rounding.
func TestSmoother(t *testing.T) {
	var m smoother
	m.fill(1)
	once := slices.Repeat([]float64{1}, lookSamples)
	twice := slices.Clone(once)
	mean := func(of []float64) (sum float64) {
		for _, v := range of[len(of)-lookSamples:] {
			sum += v / lookSamples
		}
		return sum
	}
	for _, v := range white(1000, 0.3, 9) {
		once = append(once, float64(v))
		twice = append(twice, mean(once))
		if got, want := m.add(float64(v)), mean(twice); math.Abs(got-want) > 1e-12 {
			t.Fatalf("mean %g, want %g", got, want)
		}
	}
}
