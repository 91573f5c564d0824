package fourier

import "math"

// forward4 makes one block of each group's four.
func (p *pass) forward4(to, from []float64) {
	const half = math.Sqrt2 / 2
	w := p.width
	if w == 1 {
		p.first4(to, from)
		return
	}
	step := p.groups * w
	for g := range p.groups {
		a, b := from[g*w:][:w], from[g*w+step:][:w]
		c, d := from[g*w+2*step:][:w], from[g*w+3*step:][:w]
		out := to[4*g*w:][:4*w]
		o, q, r, s := out[:w], out[w:][:w], out[2*w:][:w], out[3*w:][:w]

		even, odd := a[0]+c[0], b[0]+d[0]
		o[0], s[w-1] = odd+even, even-odd
		q[w-1], r[0] = a[0]-c[0], d[0]-b[0]

		turns := p.turns
		for i := 1; i < w-1; i += 2 {
			t := (*[6]float64)(turns)
			turns = turns[6:]
			bRe, bIm := t[0]*b[i]+t[1]*b[i+1], t[0]*b[i+1]-t[1]*b[i]
			cRe, cIm := t[2]*c[i]+t[3]*c[i+1], t[2]*c[i+1]-t[3]*c[i]
			dRe, dIm := t[4]*d[i]+t[5]*d[i+1], t[4]*d[i+1]-t[5]*d[i]
			oddRe, oddIm := bRe+dRe, bIm+dIm
			evenRe, evenIm := a[i]+cRe, a[i+1]+cIm
			restRe, restIm := a[i]-cRe, a[i+1]-cIm
			sideRe, sideIm := bIm-dIm, dRe-bRe // a quarter turn of b-d
			k := w - 2 - i
			o[i], o[i+1] = oddRe+evenRe, oddIm+evenIm
			s[k], s[k+1] = evenRe-oddRe, oddIm-evenIm
			r[i], r[i+1] = restRe+sideRe, restIm+sideIm
			q[k], q[k+1] = restRe-sideRe, sideIm-restIm
		}

		im, re := -half*(b[w-1]+d[w-1]), half*(b[w-1]-d[w-1])
		o[w-1], r[w-1] = re+a[w-1], a[w-1]-re
		q[0], s[0] = im-c[w-1], im+c[w-1]
	}
}

// first4 is forward4 for blocks of a single number.
func (p *pass) first4(to, from []float64) {
	n := p.groups
	a, b, c, d := from[:n], from[n:][:n], from[2*n:][:n], from[3*n:][:n]
	for g := range a {
		out := (*[4]float64)(to[4*g:])
		out[0], out[1], out[2], out[3] = single4(a[g], b[g], c[g], d[g])
	}
}

// forward2 makes one block of each group's two.
func (p *pass) forward2(to, from []float64) {
	w := p.width
	step := p.groups * w
	for g := range p.groups {
		a, b := from[g*w:][:w], from[g*w+step:][:w]
		out := to[2*g*w:][:2*w]
		o, q := out[:w], out[w:][:w]
		o[0], q[w-1] = a[0]+b[0], a[0]-b[0]
		turns := p.turns
		for i := 1; i < w-1; i += 2 {
			t := (*[2]float64)(turns)
			turns = turns[2:]
			bRe, bIm := t[0]*b[i]+t[1]*b[i+1], t[0]*b[i+1]-t[1]*b[i]
			k := w - 2 - i
			o[i], o[i+1] = a[i]+bRe, a[i+1]+bIm
			q[k], q[k+1] = a[i]-bRe, bIm-a[i+1]
		}
		o[w-1], q[0] = a[w-1], -b[w-1]
	}
}

// first16 is forward4 for blocks of a single number and then, as the pass p, for the blocks of
// four that come of it: sixteen numbers in, sixteen out, and none is put down in between.
func (p *pass) first16(to, from []float64) {
	const half = math.Sqrt2 / 2
	n := p.groups
	var x [16][]float64
	for i := range x {
		x[i] = from[i*n:][:n]
	}
	t := (*[6]float64)(p.turns)
	for g := range n {
		a0, a1, a2, a3 := single4(x[0][g], x[4][g], x[8][g], x[12][g])
		b0, b1, b2, b3 := single4(x[1][g], x[5][g], x[9][g], x[13][g])
		c0, c1, c2, c3 := single4(x[2][g], x[6][g], x[10][g], x[14][g])
		d0, d1, d2, d3 := single4(x[3][g], x[7][g], x[11][g], x[15][g])
		out := (*[16]float64)(to[16*g:])

		even, odd := a0+c0, b0+d0
		out[0], out[15] = odd+even, even-odd
		out[7], out[8] = a0-c0, d0-b0

		bRe, bIm := t[0]*b1+t[1]*b2, t[0]*b2-t[1]*b1
		cRe, cIm := t[2]*c1+t[3]*c2, t[2]*c2-t[3]*c1
		dRe, dIm := t[4]*d1+t[5]*d2, t[4]*d2-t[5]*d1
		oddRe, oddIm := bRe+dRe, bIm+dIm
		evenRe, evenIm := a1+cRe, a2+cIm
		restRe, restIm := a1-cRe, a2-cIm
		sideRe, sideIm := bIm-dIm, dRe-bRe
		out[1], out[2] = oddRe+evenRe, oddIm+evenIm
		out[13], out[14] = evenRe-oddRe, oddIm-evenIm
		out[9], out[10] = restRe+sideRe, restIm+sideIm
		out[5], out[6] = restRe-sideRe, sideIm-restIm

		im, re := -half*(b3+d3), half*(b3-d3)
		out[3], out[11] = re+a3, a3-re
		out[4], out[12] = im-c3, im+c3
	}
}

// single4 makes one block of four single numbers.
func single4(a, b, c, d float64) (float64, float64, float64, float64) {
	even, odd := a+c, b+d
	return odd + even, a - c, d - b, even - odd
}
