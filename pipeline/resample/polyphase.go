package resample

import (
	"math"

	"lectern/pipeline/resample/sinc"
)

const (
	// passShare of the band is kept flat: 20 kHz where the narrower side has
	// 22.05 kHz, the band asked of a 44.1 kHz master (our choice).
	passShare = 20000.0 / 22050

	// attenuationDB is what Kaiser's estimate is asked for. The tests ask less:
	// the estimate is met only to within a decibel or two.
	attenuationDB = 124

	// phasesMax is how many phases are held exactly (our choice: 1024 rows are
	// at most 1.6 MB). A rate in no simple ratio to 44.1 kHz has up to 44100
	// phases; its taps are interpolated between rowsBetween rows, cubically,
	// which is off by less than -150 dB: (3/128) * (pi/rows)^4 for a sinc.
	phasesMax   = 1024
	rowsBetween = 256
)

// polyphase steps through its input at a fixed ratio and interpolates there.
type polyphase struct {
	taps  int       // a row's length
	rows  []float32 // one row a phase; between phases: rows -1 to rowsBetween+1
	exact bool

	// The next output lies phase/phases of a sample past the middle of the
	// taps samples from pos on; then it moves on by whole + part/phases.
	phases, whole, part int
	pos, phase          int

	in  []float32 // what is still to be seen by some output
	out []float32
}

// newPolyphase returns a converter by the ratio toHz/fromHz whose output is at
// OutHz. Its input is therefore at OutHz*fromHz/toHz.
func newPolyphase(fromHz, toHz int) *polyphase {
	common := gcd(fromHz, toHz)
	from, to := fromHz/common, toHz/common

	edge := 0.5 * math.Min(1, float64(to)/float64(from)) // cycles an input sample
	pass := edge * passShare
	taps := int(math.Ceil(sinc.Length(attenuationDB, edge-pass)))
	taps = (taps + 7) / 8 * 8 // what dot asks for
	filter := sinc.NewLowPass((pass+edge)/2, float64(taps)/2, attenuationDB)

	p := &polyphase{
		taps:   taps,
		exact:  to <= phasesMax,
		phases: to,
		whole:  from / to,
		part:   from % to,
		in:     make([]float32, taps/2-1, taps+blockFrames), // silence before the first sample
	}
	if p.exact {
		for row := range to {
			p.addRow(filter, float64(row)/float64(to))
		}
	} else {
		for row := -1; row <= rowsBetween+1; row++ {
			p.addRow(filter, float64(row)/rowsBetween)
		}
	}
	return p
}

func (p *polyphase) addRow(filter sinc.LowPass, at float64) {
	row := make([]float64, p.taps)
	filter.Phase(row, at)
	for _, tap := range row {
		p.rows = append(p.rows, float32(tap))
	}
}

// convert takes the next block and returns all output that it settles. The
// slice is reused by the next call.
func (p *polyphase) convert(block []float32) []float32 {
	p.in = append(p.in, block...)
	p.out = p.out[:0]
	for p.pos+p.taps <= len(p.in) {
		window := p.in[p.pos : p.pos+p.taps]
		if p.exact {
			p.out = append(p.out, dot(window, p.row(p.phase)))
		} else {
			p.out = append(p.out, p.between(window))
		}
		p.pos += p.whole
		p.phase += p.part
		if p.phase >= p.phases {
			p.phase -= p.phases
			p.pos++
		}
	}
	kept := copy(p.in, p.in[p.pos:])
	p.in = p.in[:kept]
	p.pos = 0
	return p.out
}

func (p *polyphase) row(i int) []float32 {
	return p.rows[i*p.taps : (i+1)*p.taps]
}

// between interpolates the four rows around the phase by Lagrange's cubic.
func (p *polyphase) between(window []float32) float32 {
	at := p.phase * rowsBetween
	first := at / p.phases // holds row first-1, as the rows begin at -1
	t := float32(at%p.phases) / float32(p.phases)
	return dot(window, p.row(first))*(-t*(t-1)*(t-2)/6) +
		dot(window, p.row(first+1))*((t+1)*(t-1)*(t-2)/2) +
		dot(window, p.row(first+2))*(-(t+1)*t*(t-2)/2) +
		dot(window, p.row(first+3))*((t+1)*t*(t-1)/6)
}

// dot is the scalar product of two rows of equal length, a multiple of 8. Eight
// sums keep the processor busy and the rounding small.
func dot(x, h []float32) float32 {
	var a, b, c, d, e, f, g, i float32
	for len(x) >= 8 && len(h) >= 8 {
		a += x[0] * h[0]
		b += x[1] * h[1]
		c += x[2] * h[2]
		d += x[3] * h[3]
		e += x[4] * h[4]
		f += x[5] * h[5]
		g += x[6] * h[6]
		i += x[7] * h[7]
		x, h = x[8:], h[8:]
	}
	return ((a + b) + (c + d)) + ((e + f) + (g + i))
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}
