package speech

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// plainFrame measures a frame by the rules as they are written down, with no thought of
// time: window is the sound that voicing looks at, own the frame's. slow are the numbers
// whose autocorrelation it is told by.
func (a *Analyzer) plainFrame(own, window []float32) (power, peak float32, slow []float64, voicing uint8) {
	var sum float64
	for _, x := range own {
		sum += float64(x) * float64(x)
		peak = max(peak, x, -x)
	}
	slow = make([]float64, slowWindow)
	var mean float64
	for i := range slow {
		var sum float32
		for _, v := range window[i*slowBy : (i+1)*slowBy] {
			sum += v
		}
		slow[i] = float64(sum)
		mean += float64(sum)
	}
	mean /= slowWindow
	for i := range slow {
		slow[i] = (slow[i] - mean) * a.slowWin[i]
	}
	acf := a.autocorrelation(slow)
	best := 0.0
	for lag := 12; acf[0] > 0 && lag <= 91; lag++ { // 450 to 60 Hz at 5512 Hz
		if acf[lag] >= acf[lag-1] && acf[lag] >= acf[lag+1] {
			best = max(best, acf[lag]/acf[0]*a.winACF[0]/a.winACF[lag])
		}
	}
	return float32(sum / FrameSamples), peak, slow, uint8(100 * min(best, 1))
}

// TestFeaturesAreThePlainRules wants the same to the last bit, of voices, noise, silence,
// full scale and numbers too small to be written in full.
func TestFeaturesAreThePlainRules(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	x := reading(4, -20).Float32()[:8*SampleRateHz]
	for from := 0; from < len(x); {
		to := min(len(x), from+1+rng.IntN(3000))
		switch part := x[from:to]; rng.IntN(8) {
		case 0:
			clear(part)
		case 1:
			for i := range part {
				part[i] = math.Float32frombits(rng.Uint32N(4) | rng.Uint32N(2)<<31)
			}
		case 2:
			for i := range part {
				part[i] = float32(rng.IntN(2)*2 - 1)
			}
		case 3:
			for i := range part {
				part[i] = float32(rng.NormFloat64()) / 10
			}
		}
		from = to
	}
	a, again, plain := NewAnalyzer(), NewAnalyzer(), NewAnalyzer()
	a.Add(x)
	f := a.Features()
	around := slices.Concat(make([]float32, lookBack), x, make([]float32, lookAhead))
	for i := range f.Len() {
		at := i*FrameSamples + lookBack
		window := around[at-lookBack:][:slowWindow*slowBy]
		power, peak, slow, voicing := plain.plainFrame(around[at:][:FrameSamples], window)
		if f.Power[i] != power || f.Peak[i] != peak || f.Voicing[i] != voicing {
			t.Fatalf("frame %d: power %g, peak %g, voicing %d; by the plain rules %g, %g, %d",
				i, f.Power[i], f.Peak[i], f.Voicing[i], power, peak, voicing)
		}
		if again.voicing(window); !slices.Equal(again.slowIn[:slowWindow], slow) {
			t.Fatalf("frame %d: the slow samples differ from those by the plain rules", i)
		}
	}
	voicings := slices.Compact(slices.Sorted(slices.Values(f.Voicing)))
	if len(voicings) < 50 {
		t.Errorf("only %d different voicings were tried", len(voicings))
	}
}

// TestHeardQuantile wants that of a sorted copy, of levels on either side of 0 and of the
// smallest and largest numbers.
func TestHeardQuantile(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 2))
	for range 200 {
		n := 1 + rng.IntN(300)
		d := &drawing{f: &Features{Power: make([]float32, n)}, smooth: make([]float32, n)}
		var heard []float32
		for i := range n {
			v := float32(rng.NormFloat64() * 60)
			if rng.IntN(50) == 0 {
				v = []float32{math.MaxFloat32, -math.MaxFloat32, math.SmallestNonzeroFloat32, 0, silentDB}[rng.IntN(5)]
			}
			if d.smooth[i] = v; i == 0 || rng.IntN(4) > 0 {
				d.f.Power[i] = 1e-9
				heard = append(heard, v)
			}
		}
		slices.Sort(heard)
		for _, q := range []float64{0, 0.02, 0.1, 0.5, 0.95, 1} {
			if got, want := d.heardQuantile(len(heard), q), quantile(heard, q); got != want {
				t.Fatalf("the %g quantile of %d is %g, want %g", q, len(heard), got, want)
			}
		}
	}
}
