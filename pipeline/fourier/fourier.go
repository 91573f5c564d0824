// Package fourier transforms blocks of real samples whose length is a power of two: the
// spectra of the speech map, the cepstra and the findings.
//
// It does the arithmetic of the real transform of FFTPACK (P. N. Swarztrauber, public
// domain), steps of four and at most one of two, in the order of its steps, so that its
// values are those of gonum's dsp/fourier to the last bit (a test says so); it is faster
// because it knows its few lengths.
//
// A spectrum of n samples is packed as n numbers: the real part of bin 0, then real and
// imaginary part of each of the bins 1 to n/2-1, then the real part of bin n/2. Nothing is
// scaled: Back of Forward is the block times n.
package fourier

import (
	"fmt"
	"math"
	"math/bits"
)

// Transform transforms blocks of one length. It is not for use by two goroutines.
type Transform struct {
	n      int
	passes []pass       // in the order of Back; Forward takes them from the last on
	buf    [2][]float64 // a pass reads one and fills the other
}

// pass is one step of the transform: groups of two or four blocks of width numbers each
// become one, or the other way round.
type pass struct {
	by, groups, width int
	// turns are cosine and sine by which the second and later blocks are turned: for each
	// pair of numbers of the width, those of all by-1 blocks.
	turns []float64
}

// New returns a Transform of blocks of n samples, a power of two from 4 on. Another n is a
// programming error, and panics.
func New(n int) *Transform {
	if n < 4 || bits.OnesCount(uint(n)) != 1 {
		panic(fmt.Sprintf("fourier: length %d is no power of two from 4 on", n))
	}
	t := &Transform{n: n}
	groups := 1
	if bits.TrailingZeros(uint(n))%2 == 1 {
		t.passes = append(t.passes, newPass(n, 2, groups))
		groups = 2
	}
	for ; groups < n; groups *= 4 {
		t.passes = append(t.passes, newPass(n, 4, groups))
	}
	t.buf = [2][]float64{make([]float64, n), make([]float64, n)}
	return t
}

func newPass(n, by, groups int) pass {
	p := pass{by: by, groups: groups, width: n / (by * groups)}
	unit := 2 * math.Pi / float64(n)
	for pair := 1; 2*pair < p.width; pair++ {
		for j := 1; j < by; j++ {
			angle := float64(pair) * (float64(j*groups) * unit)
			p.turns = append(p.turns, math.Cos(angle), math.Sin(angle))
		}
	}
	return p
}

// Forward returns the packed spectrum of the n samples of x. The slice is the
// Transform's own and holds until the next call.
func (t *Transform) Forward(x []float64) []float64 {
	from := x[:t.n]
	left := len(t.passes)
	if left >= 2 && t.passes[left-2].by == 4 {
		left -= 2
		t.passes[left].first16(t.buf[left%2], from)
		from = t.buf[left%2]
	}
	for i := left - 1; i >= 0; i-- {
		to := t.buf[i%2]
		if p := &t.passes[i]; p.by == 4 {
			p.forward4(to, from)
		} else {
			p.forward2(to, from)
		}
		from = to
	}
	return from
}

// Back returns the n samples, times n, of a packed spectrum. The slice is the
// Transform's own and holds until the next call; the spectrum must not be one.
func (t *Transform) Back(spectrum []float64) []float64 {
	from := spectrum[:t.n]
	for i := range t.passes {
		to := t.buf[i%2]
		if p := &t.passes[i]; p.by == 4 {
			p.back4(to, from)
		} else {
			p.back2(to, from)
		}
		from = to
	}
	return from
}

// Power returns the squared magnitude of a bin of a packed spectrum.
func Power(spectrum []float64, bin int) float64 {
	switch bin {
	case 0:
		return spectrum[0] * spectrum[0]
	case len(spectrum) / 2:
		return spectrum[len(spectrum)-1] * spectrum[len(spectrum)-1]
	}
	re, im := spectrum[2*bin-1], spectrum[2*bin]
	return re*re + im*im
}

// PowerSum returns the sum of the squared magnitudes of the bins from and to, not
// included, neither the first bin nor the last.
func PowerSum(spectrum []float64, from, to int) float64 {
	sum := 0.0
	for parts := spectrum[2*from-1 : 2*to-1]; len(parts) >= 2; parts = parts[2:] {
		sum += parts[0]*parts[0] + parts[1]*parts[1]
	}
	return sum
}
