package layer3

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Kraft's sum of every code is 1: no word is missing, none is the beginning of
// another.
func TestCodesAreComplete(t *testing.T) {
	seen := 0
	for i, leaves := range append(leavesOf[:], leavesA, leavesB) {
		if leaves == nil {
			continue
		}
		seen++
		sum := 0
		values := map[uint16]bool{}
		for _, leaf := range leaves {
			sum += 1 << (20 - leaf>>8)
			values[leaf&0xFF] = true
		}
		side := int(math.Sqrt(float64(len(leaves))) + 0.5)
		if sum != 1<<20 || len(values) != len(leaves) || side*side != len(leaves) {
			t.Errorf("table %d: sum %g, %d values, %d leaves", i, float64(sum)/(1<<20), len(values), len(leaves))
		}
	}
	if seen != 29+2 {
		t.Errorf("%d tables, want 31", seen)
	}
}

// Every word of every table comes out as the pair it was written for.
func TestEveryCodeWord(t *testing.T) {
	for i, leaves := range leavesOf {
		for _, leaf := range leaves {
			x, y := int(leaf>>4&15), int(leaf&15)
			var w bitWriter
			w.word(leaves, x<<4|y)
			want := [2]float32{powers[x], -powers[y]}
			for j, v := range [2]int{x, y} {
				if n := codebooks[i].linbits; v == 15 && n > 0 {
					w.put(1<<n-1, n)
					want[j] = powers[15+1<<n-1]
					if j == 1 {
						want[j] = -want[j]
					}
				}
				if v != 0 {
					w.put(j, 1)
				}
			}
			end := w.n
			buf := append(w.b, make([]byte, padBytes)...)
			g := granule{bigValues: 1, table: [3]int{i, i, i}, regionEnd: [3]int{lines, lines, lines}}
			var s spectrum
			gain := [maxBands]float32{1}
			if err := s.read(buf, 0, end, &g, bandsOf[0].long, &gain); err != nil || s.lines[0] != want[0] || s.lines[1] != want[1] || s.used != 2 {
				t.Fatalf("table %d, %d and %d: %v, %g and %g, %d lines", i, x, y, err, s.lines[0], s.lines[1], s.used)
			}
			if err := s.read(buf, 0, end-1, &g, bandsOf[0].long, &gain); err != ErrHuffman {
				t.Fatalf("table %d, %d and %d: a bit short: %v", i, x, y, err)
			}
		}
	}
}

// The inverse MDCT, windowed and overlapped, against the sum of §2.4.3.4.
func TestHybridAgainstItsFormula(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, b := range []blockType{long, start, short, stop} {
		for sb := range 2 {
			var x, before [18]float32
			for i := range x {
				x[i], before[i] = r.Float32()-0.5, r.Float32()-0.5
			}
			var want [36]float64
			imdct := func(n int, line func(k int) float32, window func(i int) float64, at int) {
				for i := range n {
					var sum float64
					for k := range n / 2 {
						sum += float64(line(k)) * math.Cos(math.Pi/float64(2*n)*float64(2*i+1+n/2)*float64(2*k+1))
					}
					want[at+i] += sum * window(i)
				}
			}
			if b == short {
				for w := range 3 {
					imdct(12, func(k int) float32 { return x[3*k+w] }, func(i int) float64 { return math.Sin(math.Pi / 12 * (float64(i) + 0.5)) }, 6+6*w)
				}
			} else {
				imdct(36, func(k int) float32 { return x[k] }, func(i int) float64 { return longWindow(b, i) }, 0)
			}
			var h hybrid
			h.overlap[sb] = before
			var slots [18][32]float32
			if b == short {
				h.short(&x, sb, &slots)
			} else {
				h.long(&x, sb, b, &slots)
			}
			for i := range 36 {
				sign := 1.0
				if sb == 1 && i%2 == 1 {
					sign = -1 // frequency inversion
				}
				got, want := 0.0, sign*want[i]
				if i < 18 {
					got, want = float64(slots[i][sb]), want+float64(before[i])
				} else {
					got = float64(h.overlap[sb][i-18])
				}
				if math.Abs(got-want) > 3e-6 {
					t.Errorf("block %d, subband %d, sample %d: %g, want %g", b, sb, i, got, want)
				}
			}
		}
	}
}

// The filter bank against the steps of Figure A.2, taken literally.
func TestSynthesisAgainstItsFormula(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	var s synthesis
	var v [1024]float64
	for slot := range 40 {
		var bands, out [32]float32
		for i := range bands {
			bands[i] = r.Float32() - 0.5
		}
		copy(v[64:], v[:960])
		for i := range 64 {
			v[i] = 0
			for k := range bands {
				v[i] += math.Cos(math.Pi/64*float64((16+i)*(2*k+1))) * float64(bands[k])
			}
		}
		s.slot(&out, &bands)
		for j := range out {
			var want float64
			for i := range 8 {
				want += v[128*i+j]*float64(windowD(64*i+j)) + v[128*i+96+j]*float64(windowD(64*i+32+j))
			}
			if math.Abs(float64(out[j])-want) > 3e-6 {
				t.Fatalf("slot %d, sample %d: %g, want %g", slot, j, out[j], want)
			}
		}
	}
}

// Two sums at once are the two taken one by one, bit for bit: a sample must not depend on
// how it is taken.
func TestTwoSumsAtOnce(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	var x, y, z [16]float32
	for range 10_000 {
		for i := range x {
			x[i], y[i], z[i] = r.Float32()-0.5, r.Float32()-0.5, r.Float32()-0.5
		}
		a, b := dots(&x, &y, &z)
		if wantA, wantB := dot(&x, &y), dot(&x, &z); math.Float32bits(a) != math.Float32bits(wantA) || math.Float32bits(b) != math.Float32bits(wantB) {
			t.Fatalf("%g and %g, one by one %g and %g", a, b, wantA, wantB)
		}
	}
}
