package fourier

import "math"

// back4 parts one block into the four of each group.
func (p *pass) back4(to, from []float64) {
	w := p.width
	if w == 1 {
		p.last4(to, from)
		return
	}
	step := p.groups * w
	for g := range p.groups {
		in := from[4*g*w:][:4*w]
		o, q, r, s := in[:w], in[w:][:w], in[2*w:][:w], in[3*w:][:w]
		a, b := to[g*w:][:w], to[g*w+step:][:w]
		c, d := to[g*w+2*step:][:w], to[g*w+3*step:][:w]

		rest, even := o[0]-s[w-1], o[0]+s[w-1]
		twice, side := q[w-1]+q[w-1], r[0]+r[0]
		a[0], b[0], c[0], d[0] = even+twice, rest-side, even-twice, rest+side

		turns := p.turns
		for i := 1; i < w-1; i += 2 {
			t := (*[6]float64)(turns)
			turns = turns[6:]
			k := w - 2 - i
			restRe, restIm := o[i]-s[k], o[i+1]+s[k+1]
			evenRe, evenIm := o[i]+s[k], o[i+1]-s[k+1]
			oddRe, oddIm := r[i]+q[k], r[i+1]-q[k+1]
			sideRe, sideIm := r[i+1]+q[k+1], r[i]-q[k]
			a[i], a[i+1] = evenRe+oddRe, evenIm+oddIm
			bRe, bIm := restRe-sideRe, restIm+sideIm
			cRe, cIm := evenRe-oddRe, evenIm-oddIm
			dRe, dIm := restRe+sideRe, restIm-sideIm
			b[i], b[i+1] = t[0]*bRe-t[1]*bIm, t[0]*bIm+t[1]*bRe
			c[i], c[i+1] = t[2]*cRe-t[3]*cIm, t[2]*cIm+t[3]*cRe
			d[i], d[i+1] = t[4]*dRe-t[5]*dIm, t[4]*dIm+t[5]*dRe
		}

		re, im := o[w-1]-r[w-1], q[0]+s[0]
		both, apart := o[w-1]+r[w-1], s[0]-q[0]
		a[w-1], b[w-1] = both+both, math.Sqrt2*(re-im)
		c[w-1], d[w-1] = apart+apart, -math.Sqrt2*(re+im)
	}
}

// last4 is back4 for blocks of a single number.
func (p *pass) last4(to, from []float64) {
	n := p.groups
	a, b, c, d := to[:n], to[n:][:n], to[2*n:][:n], to[3*n:][:n]
	for g := range a {
		in := (*[4]float64)(from[4*g:])
		rest, even := in[0]-in[3], in[0]+in[3]
		twice, side := in[1]+in[1], in[2]+in[2]
		a[g], b[g], c[g], d[g] = even+twice, rest-side, even-twice, rest+side
	}
}

// back2 parts one block into the two of each group.
func (p *pass) back2(to, from []float64) {
	w := p.width
	step := p.groups * w
	for g := range p.groups {
		in := from[2*g*w:][:2*w]
		o, q := in[:w], in[w:][:w]
		a, b := to[g*w:][:w], to[g*w+step:][:w]
		a[0], b[0] = o[0]+q[w-1], o[0]-q[w-1]
		turns := p.turns
		for i := 1; i < w-1; i += 2 {
			t := (*[2]float64)(turns)
			turns = turns[2:]
			k := w - 2 - i
			a[i], a[i+1] = o[i]+q[k], o[i+1]-q[k+1]
			bRe, bIm := o[i]-q[k], o[i+1]+q[k+1]
			b[i], b[i+1] = t[0]*bRe-t[1]*bIm, t[0]*bIm+t[1]*bRe
		}
		a[w-1], b[w-1] = 2*o[w-1], -2*q[0]
	}
}
