package findings

import (
	"math"

	"lectern/pipeline/speech"
)

// highPeaks keeps the largest sample of each frame above highPeakHz, by which a
// click is judged and not the low room it stands in. A frame takes one byte.
type highPeaks struct {
	// A second-order Butterworth high-pass by the bilinear transform, in transposed
	// direct form II.
	b0, b1, b2, a1, a2, z1, z2 float64

	peak   float64 // of the frame that is open
	n      int     // its samples
	frames []uint8
}

// highPeakHz is the lower edge of the bands a click is looked for in.
const highPeakHz = 800.0

func newHighPeaks() *highPeaks {
	k := math.Tan(math.Pi * highPeakHz / speech.SampleRateHz)
	norm := 1 / (1 + k*math.Sqrt2 + k*k)
	return &highPeaks{
		b0: norm, b1: -2 * norm, b2: norm,
		a1: 2 * (k*k - 1) * norm, a2: (1 - k*math.Sqrt2 + k*k) * norm,
	}
}

func (p *highPeaks) add(block []float32) {
	for len(block) > 0 {
		n := min(len(block), speech.FrameSamples-p.n)
		b0, b1, b2, a1, a2, z1, z2, peak := p.b0, p.b1, p.b2, p.a1, p.a2, p.z1, p.z2, p.peak
		for _, v := range block[:n] {
			x := float64(v)
			y := b0*x + z1
			z1 = b1*x - a1*y + z2
			z2 = b2*x - a2*y
			if y := math.Abs(y); y > peak {
				peak = y
			}
		}
		p.z1, p.z2, p.peak = z1, z2, peak
		block = block[n:]
		if p.n += n; p.n == speech.FrameSamples {
			p.frames = append(p.frames, toByte(decibels(p.peak*p.peak)))
			p.peak, p.n = 0, 0
		}
	}
}

// dbfs is the peak of the frames from and to, not included, in dBFS.
func (p *highPeaks) dbfs(from, to int) float64 {
	var top uint8
	for _, b := range p.frames[from:min(to, len(p.frames))] {
		top = max(top, b)
	}
	return fromByte(top)
}
