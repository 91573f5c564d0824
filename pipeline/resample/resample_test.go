package resample

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The figures asked for are an engineering choice, there is no standard: gain
// within 0.01 dB to 18 kHz and 0.1 dB to 20 kHz, residual -120 dB, alias and
// images -100 dB, unity gain for a constant to 1e-6, length to one sample,
// place of an impulse to one sample, no overshoot of a tone at -1 dBFS.

const minus6dBFS = 0.501187

// convert runs a whole signal through a new Converter.
func convert(t testing.TB, in []float32, inHz int) []float32 {
	t.Helper()
	var out []float32
	keep := func(block []float32) error { out = append(out, block...); return nil }
	c := New(inHz)
	if err := c.Write(in, keep); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(keep); err != nil {
		t.Fatal(err)
	}
	return out
}

func tone(hz, amplitude float64, seconds float64, rateHz int) []float32 {
	x := make([]float32, int(seconds*float64(rateHz)))
	for i := range x {
		x[i] = float32(amplitude * math.Sin(2*math.Pi*hz*float64(i)/float64(rateHz)))
	}
	return x
}

// fit takes the middle half of x, finds the tone at hz in it by least squares,
// and returns its amplitude and the RMS of everything else.
func fit(x []float32, hz float64) (amplitude, residualRMS float64) {
	x = x[len(x)/4 : 3*len(x)/4]
	var ss, sc, cc, xs, xc float64
	for i, v := range x {
		s, c := math.Sincos(2 * math.Pi * hz * float64(i) / OutHz)
		ss, sc, cc = ss+s*s, sc+s*c, cc+c*c
		xs, xc = xs+s*float64(v), xc+c*float64(v)
	}
	det := ss*cc - sc*sc
	a, b := (xs*cc-xc*sc)/det, (xc*ss-xs*sc)/det
	var rest float64
	for i, v := range x {
		s, c := math.Sincos(2 * math.Pi * hz * float64(i) / OutHz)
		d := float64(v) - a*s - b*c
		rest += d * d
	}
	return math.Hypot(a, b), math.Sqrt(rest / float64(len(x)))
}

func rms(x []float32) float64 {
	sum := 0.0
	for _, v := range x {
		sum += float64(v) * float64(v)
	}
	return math.Sqrt(sum / float64(len(x)))
}

func db(ratio float64) float64 { return 20 * math.Log10(ratio) }

var ratesHz = []int{8000, 11025, 16000, 22050, 24000, 32000, 37800, 44099, 44101, 47999, 48000, 64000, 88200, 96000, 176400, 191999, 192000}

// fewRatesHz is one of each kind, for what need not be held at every rate.
var fewRatesHz = []int{8000, 11025, 44101, 48000, 88200, 191999, 192000}

// TestTones holds gain and residual. The band is that of the narrower side:
// 18 and 20 kHz of 22.05 kHz, or the same shares of half the input rate.
func TestTones(t *testing.T) {
	for _, inHz := range ratesHz {
		t.Run(fmt.Sprint(inHz), func(t *testing.T) {
			t.Parallel()
			scale := math.Min(1, float64(inHz)/OutHz)
			for _, test := range []struct{ hz, toleranceDB float64 }{
				{20, 0.01}, {997, 0.01}, {10000 * scale, 0.01}, {18000 * scale, 0.01}, {20000 * scale, 0.1},
			} {
				out := convert(t, tone(test.hz, minus6dBFS, 1, inHz), inHz)
				amplitude, residual := fit(out, test.hz)
				gainDB := db(amplitude / minus6dBFS)
				residualDB := db(residual * math.Sqrt2 / minus6dBFS)
				t.Logf("%d Hz in: %.0f Hz gain %+.6f dB, residual %.1f dB", inHz, test.hz, gainDB, residualDB)
				if math.Abs(gainDB) > test.toleranceDB {
					t.Errorf("%.0f Hz: gain %.4f dB, want 0 +-%g", test.hz, gainDB, test.toleranceDB)
				}
				if residualDB > -120 {
					t.Errorf("%.0f Hz: residual %.1f dB, want -120 or less", test.hz, residualDB)
				}
			}
		})
	}
}

// TestAlias holds that a tone above the output's band vanishes. Frequencies
// above 23.9 kHz are those that would fold to the middle of the band, and, at
// the high rates, those that the halving could fold.
func TestAlias(t *testing.T) {
	for _, inHz := range []int{47999, 48000, 64000, 88200, 96000, 176400, 191999, 192000} {
		t.Run(fmt.Sprint(inHz), func(t *testing.T) {
			t.Parallel()
			for _, hz := range []float64{22500, 23000, 23900, 30000, 43100, 45100, 57000, 74000, 87200, 95000} {
				if hz >= float64(inHz)/2 {
					continue
				}
				out := convert(t, tone(hz, minus6dBFS, 0.5, inHz), inHz)
				aliasDB := db(rms(out[len(out)/4:3*len(out)/4]) * math.Sqrt2 / minus6dBFS)
				t.Logf("%d Hz in: %.0f Hz comes out at %.1f dB", inHz, hz, aliasDB)
				if aliasDB > -100 {
					t.Errorf("%.0f Hz comes out at %.1f dB, want -100 or less", hz, aliasDB)
				}
			}
		})
	}
}

// TestImages holds that nothing appears above the input's own band: the
// residual of a tone near the band's edge is where its image would be.
func TestImages(t *testing.T) {
	for _, inHz := range []int{8000, 11025, 16000, 22050, 32000} {
		t.Run(fmt.Sprint(inHz), func(t *testing.T) {
			t.Parallel()
			for _, share := range []float64{0.3, 0.6, 0.9, 0.95, 0.98} {
				hz := share * float64(inHz) / 2
				out := convert(t, tone(hz, minus6dBFS, 1, inHz), inHz)
				_, residual := fit(out, hz)
				imageDB := db(residual * math.Sqrt2 / minus6dBFS)
				t.Logf("%d Hz in: %.0f Hz has images of %.1f dB", inHz, hz, imageDB)
				if imageDB > -100 {
					t.Errorf("%.0f Hz: images %.1f dB, want -100 or less", hz, imageDB)
				}
			}
		})
	}
}

func TestConstant(t *testing.T) {
	for _, inHz := range ratesHz {
		in := make([]float32, inHz/2)
		for i := range in {
			in[i] = 0.5
		}
		out := convert(t, in, inHz)
		for i, v := range out[len(out)/4 : 3*len(out)/4] {
			if math.Abs(float64(v)/0.5-1) > 1e-6 {
				t.Errorf("%d Hz in: gain for a constant %.8f at %d, want 1 +-1e-6", inHz, v/0.5, i)
				break
			}
		}
	}
}

func TestLength(t *testing.T) {
	for _, inHz := range fewRatesHz {
		for _, frames := range []int{0, 1, 2, 159, 160, 161, 4095, 4096, 4097, 12345} {
			out := convert(t, make([]float32, frames), inHz)
			exact := float64(frames) * OutHz / float64(inHz)
			if math.Abs(float64(len(out))-exact) > 0.5 {
				t.Errorf("%d Hz in: %d frames became %d, want %.2f rounded", inHz, frames, len(out), exact)
			}
		}
	}
	// Ten hours at the highest rate must not overflow.
	if got := FramesOut(192000*36000, 192000); got != OutHz*36000 {
		t.Errorf("ten hours at 192 kHz: %d frames, want %d", got, OutHz*36000)
	}
}

// TestImpulse holds that nothing is delayed, at the very ends too.
func TestImpulse(t *testing.T) {
	for _, inHz := range fewRatesHz {
		for _, at := range []int{0, 1, 1000, 4095, 4096, 7000, 9999} {
			in := make([]float32, 10000)
			in[at] = 1
			out := convert(t, in, inHz)
			peak := 0
			for i, v := range out {
				if math.Abs(float64(v)) > math.Abs(float64(out[peak])) {
					peak = i
				}
			}
			if want := float64(at) * OutHz / float64(inHz); math.Abs(float64(peak)-want) > 1 {
				t.Errorf("%d Hz in: impulse at %d came out at %d, want %.1f +-1", inHz, at, peak, want)
			}
		}
	}
}

// TestPhase holds the instant of a tone far more finely than an impulse can.
func TestPhase(t *testing.T) {
	for _, inHz := range ratesHz {
		out := convert(t, tone(997, 0.5, 0.5, inHz), inHz)
		for i := len(out) / 4; i < 3*len(out)/4; i++ {
			want := 0.5 * math.Sin(2*math.Pi*997*float64(i)/OutHz)
			if math.Abs(float64(out[i])-want) > 1e-6 {
				t.Errorf("%d Hz in: sample %d is %.7f, want %.7f", inHz, i, out[i], want)
				break
			}
		}
	}
}

func TestNoOvershoot(t *testing.T) {
	for _, inHz := range fewRatesHz {
		for _, hz := range []float64{997, 3000} {
			for _, v := range convert(t, tone(hz, 0.891251, 0.2, inHz), inHz) {
				if v > 1 || v < -1 {
					t.Errorf("%d Hz in: a tone of %.0f Hz at -1 dBFS reached %.4f", inHz, hz, v)
					break
				}
			}
		}
	}
}

func TestSameRateIsUntouched(t *testing.T) {
	in := tone(997, 1, 0.3, OutHz)
	in[7], in[8] = 1.5, -3 // above full scale too
	out := convert(t, in, OutHz)
	if len(out) != len(in) {
		t.Fatalf("%d samples became %d", len(in), len(out))
	}
	for i := range in {
		if math.Float32bits(out[i]) != math.Float32bits(in[i]) {
			t.Fatalf("sample %d changed from %v to %v", i, in[i], out[i])
		}
	}
}

// TestBlocks holds that the result does not depend on how the input is cut.
func TestBlocks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		inHz := rapid.SampledFrom(fewRatesHz).Draw(t, "rate_hz")
		in := make([]float32, 9000)
		for i := range in {
			in[i] = float32(math.Sin(float64(i*i) / 500))
		}
		var whole, cut []float32
		c := New(inHz)
		keep := func(block []float32) error { whole = append(whole, block...); return nil }
		_ = c.Write(in, keep)
		_ = c.Close(keep)

		c = New(inHz)
		keep = func(block []float32) error { cut = append(cut, block...); return nil }
		for rest := in; len(rest) > 0; {
			n := min(len(rest), rapid.IntRange(0, 6000).Draw(t, "block"))
			_ = c.Write(rest[:n], keep)
			rest = rest[n:]
		}
		_ = c.Close(keep)
		if len(whole) != len(cut) {
			t.Fatalf("%d samples in one go, %d in blocks", len(whole), len(cut))
		}
		for i := range whole {
			if whole[i] != cut[i] {
				t.Fatalf("sample %d: %v in one go, %v in blocks", i, whole[i], cut[i])
			}
		}
	})
}

func TestErrorOfEmitComesBack(t *testing.T) {
	broken := fmt.Errorf("disk full")
	for _, inHz := range []int{44100, 48000} {
		c := New(inHz)
		if err := c.Write(make([]float32, 5000), func([]float32) error { return broken }); err != broken {
			t.Errorf("%d Hz in: Write returned %v, want %v", inHz, err, broken)
		}
	}
	c := New(48000)
	_ = c.Write(make([]float32, 5000), func([]float32) error { return nil })
	if err := c.Close(func([]float32) error { return broken }); err != broken {
		t.Errorf("Close returned %v, want %v", err, broken)
	}
}

// TestMemory holds that no rate needs more than a few megabytes of taps.
func TestMemory(t *testing.T) {
	for inHz := MinHz; inHz <= MaxHz; inHz += 9973 {
		if inHz == OutHz {
			continue
		}
		if bytes := 4 * len(New(inHz).poly.rows); bytes > 4<<20 {
			t.Errorf("%d Hz in: %d bytes of taps", inHz, bytes)
		}
	}
}

func TestNoAllocationPerBlock(t *testing.T) {
	for _, inHz := range []int{8000, 47999, 48000, 192000} {
		c := New(inHz)
		block := make([]float32, 4096)
		emit := func([]float32) error { return nil }
		_ = c.Write(block, emit)
		_ = c.Write(block, emit)
		if allocs := testing.AllocsPerRun(50, func() { _ = c.Write(block, emit) }); allocs > 0 {
			t.Errorf("%d Hz in: %.1f allocations a block", inHz, allocs)
		}
	}
}
