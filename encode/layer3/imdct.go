package layer3

import "math"

// The inverse MDCT of §2.4.3.4 with n = 36 or 12,
//
//	x[i] = Σ X[k] · cos(π/2n · (2i + 1 + n/2)(2k + 1)),   k < n/2, i < n
//
// is a DCT-IV y of half that size, laid out with repetitions:
//
//	x = y[n/4:], −reversed(y), −y[:n/4]
//
// The DCT-IV is taken as a DCT-III z of sums of neighbors, y[m] = z[m] /
// 2cos(π/2n · (2m+1)), and z once more by halves in the same way: even lines make
// e, odd lines make o, z[m] = e[m] + o[m] and z[n/2−1−m] = e[m] − o[m].

// long does it for one subband of a long, start or stop block, windows it and
// adds the overlap.
func (h *hybrid) long(x *[18]float32, sb int, b blockType, slots *[18][32]float32) {
	e := [9]float32{
		x[0], x[1] + x[2], x[3] + x[4], x[5] + x[6], x[7] + x[8],
		x[9] + x[10], x[11] + x[12], x[13] + x[14], x[15] + x[16],
	}
	s0, s1, s2, s3, s4 := x[0]+x[1], x[2]+x[3], x[4]+x[5], x[6]+x[7], x[8]+x[9]
	s5, s6, s7, s8 := x[10]+x[11], x[12]+x[13], x[14]+x[15], x[16]+x[17]
	o := [9]float32{s0, s0 + s1, s1 + s2, s2 + s3, s3 + s4, s4 + s5, s5 + s6, s6 + s7, s7 + s8}
	dct9(&e)
	dct9(&o)
	w := &longWindows[sb&1][b]
	overlap := &h.overlap[sb]
	for n := range 9 {
		odd := o[n] * longHalves[n]
		late, early := e[n]-odd, e[n]+odd
		slots[8-n][sb] = late*w[8-n] + overlap[8-n]
		slots[9+n][sb] = late*w[9+n] + overlap[9+n]
		overlap[8-n] = early * w[26-n]
		overlap[9+n] = early * w[27+n]
	}
}

// short does it for the three windows of a short block.
func (h *hybrid) short(x *[18]float32, sb int, slots *[18][32]float32) {
	var sum [36]float32
	w := &shortWindows[sb&1]
	for i := range 3 {
		out := (*[12]float32)(sum[6+6*i:])
		x0, x1, x2, x3, x4, x5 := x[i], x[3+i], x[6+i], x[9+i], x[12+i], x[15+i]
		s0, s1, s2 := x0+x1, x2+x3, x4+x5
		e := dct3(x0, x1+x2, x3+x4)
		o := dct3(s0, s0+s1, s1+s2)
		for n := range 3 {
			odd := o[n] * shortHalves[n]
			late, early := e[n]-odd, e[n]+odd
			out[2-n] += late * w[2-n]
			out[3+n] += late * w[3+n]
			out[8-n] += early * w[8-n]
			out[9+n] += early * w[9+n]
		}
	}
	overlap := &h.overlap[sb]
	for t := range overlap {
		slots[t][sb] = sum[t] + overlap[t]
		overlap[t] = sum[18+t]
	}
}

// Cosines of multiples of 10 degrees.
const (
	cos10 = 0.98480775301220805937
	cos20 = 0.93969262078590838405
	cos30 = 0.86602540378443864676
	cos40 = 0.76604444311897803520
	cos50 = 0.64278760968653932632
	cos70 = 0.34202014332566873304
	cos80 = 0.17364817766693034885
)

// dct9 replaces x by Σ x[k]·cos(π/18 · k(2n+1)), n = 0..8.
func dct9(x *[9]float32) {
	x0, x1, x2, x3, x4, x5, x6, x7, x8 := x[0], x[1], x[2], x[3], x[4], x[5], x[6], x[7], x[8]
	// Even k are the same for n and 8−n, odd ones of opposite sign.
	half := x0 + 0.5*x6
	rest, diff := x0-x6, x2-x4-x8
	e0 := half + cos20*x2 + cos40*x4 + cos80*x8
	e1 := rest + 0.5*diff
	e2 := half - cos80*x2 - cos20*x4 + cos40*x8
	e3 := half - cos40*x2 + cos80*x4 - cos20*x8
	middle := cos30 * x3
	o0 := cos10*x1 + middle + cos50*x5 + cos70*x7
	o1 := cos30 * (x1 - x5 - x7)
	o2 := cos50*x1 - middle - cos70*x5 + cos10*x7
	o3 := cos70*x1 - middle + cos10*x5 - cos50*x7
	x[0], x[8] = e0+o0, e0-o0
	x[1], x[7] = e1+o1, e1-o1
	x[2], x[6] = e2+o2, e2-o2
	x[3], x[5] = e3+o3, e3-o3
	x[4] = rest - diff
}

// dct3 returns Σ x[k]·cos(π/6 · k(2n+1)), n = 0..2.
func dct3(x0, x1, x2 float32) [3]float32 {
	even, odd := x0+0.5*x2, cos30*x1
	return [3]float32{even + odd, x0 - x2, even - odd}
}

// longHalves and shortHalves are 1/2cos(π/36 · (2m+1)) and 1/2cos(π/12 · (2m+1)),
// the factors of o.
var (
	longHalves = func() (h [9]float32) {
		for m := range h {
			h[m] = float32(halfSecant(2*m+1, 36))
		}
		return h
	}()
	shortHalves = func() (h [3]float32) {
		for m := range h {
			h[m] = float32(halfSecant(2*m+1, 12))
		}
		return h
	}()
)

// halfSecant returns 1/2cos(π·a/b).
func halfSecant(a, b int) float64 { return 0.5 / math.Cos(math.Pi*float64(a)/float64(b)) }

// The windows of §2.4.3.4 by parity of the subband, the long ones by block type.
// Taken into them are the factors that turn z into y, the signs with which y is
// repeated, and the frequency inversion, which negates every second sample of
// every second subband.
var (
	longWindows = func() (table [2][4][36]float32) {
		for parity := range table {
			for _, b := range []blockType{long, start, stop} {
				for i := range table[parity][b] {
					table[parity][b][i] = float32(longWindow(b, i) * unfold(i, 36) * inversion(parity, i))
				}
			}
		}
		return table
	}()
	shortWindows = func() (table [2][12]float32) {
		for parity := range table {
			for i := range table[parity] {
				table[parity][i] = float32(sine(i, 12) * unfold(i, 12) * inversion(parity, i))
			}
		}
		return table
	}()
)

// unfold is the factor from z to sample i of an inverse MDCT of n samples.
func unfold(i, n int) float64 {
	switch {
	case i < n/4:
		return halfSecant(2*(i+n/4)+1, 2*n)
	case i < 3*n/4:
		return -halfSecant(2*(3*n/4-1-i)+1, 2*n)
	}
	return -halfSecant(2*(i-3*n/4)+1, 2*n)
}

func inversion(parity, i int) float64 {
	if parity == 1 && i%2 == 1 {
		return -1
	}
	return 1
}

func sine(i, n int) float64 { return math.Sin(math.Pi / float64(n) * (float64(i) + 0.5)) }

// longWindow is the window of a long, start or stop block at sample i of 36.
func longWindow(b blockType, i int) float64 {
	switch {
	case b == start && i >= 30, b == stop && i < 6:
		return 0
	case b == start && i >= 24:
		return sine(i-18, 12)
	case b == start && i >= 18, b == stop && i >= 12 && i < 18:
		return 1
	case b == stop && i < 12:
		return sine(i-6, 12)
	}
	return sine(i, 36)
}
