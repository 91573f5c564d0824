package meter

import (
	"fmt"
	"math"
	"slices"
)

// All loudness windows are counted in hops of 10 ms, so that the largest
// momentary loudness does not slip between two windows: a hop of 100 ms misses
// up to 0.46 LU of EBU Tech 3341 case 13.
const (
	hopsPerSecond = 100
	momentaryHops = 40  // 400 ms: BS.1770-5 annex 1, Tech 3341
	shortTermHops = 300 // 3 s: Tech 3341
	tenthHops     = 10  // 0.1 s: gated blocks overlap by 75 % (BS.1770-5); range hop at most 0.1 s (Tech 3342)

	momentaryTenths = momentaryHops / tenthHops
	shortTermTenths = shortTermHops / tenthHops
)

const (
	absoluteGateLUFS = -70 // BS.1770-5 annex 1, eq. (4); Tech 3342
	integratedGateLU = -10 // BS.1770-5 annex 1, eq. (6)
)

// tenthsReserved is one hour, so that few files make the store grow (our choice).
const tenthsReserved = 36000

// Loudness measures loudness by ITU-R BS.1770-5, EBU Tech 3341 and 3342. Each
// channel counts with weight 1, as left, right and center do; a mono file is one
// channel, and so reads 3.01 LU below the same sound on two.
//
// It keeps one float64 for each 0.1 s, 2.9 MB for ten hours. Gates and
// percentiles are therefore exact, not read from a histogram.
type Loudness struct {
	sampleRateHz int64
	channels     []kWeight
	energy       []float64 // of the unfinished hop, one a channel

	frames int64 // heard so far
	hopEnd int64 // where the unfinished hop ends, in frames

	hop   int64                  // finished hops
	hops  [shortTermHops]float64 // energy of the last hops; hop k lies at k % shortTermHops
	tenth float64                // energy of the unfinished tenth
	// tenths holds the weighted energy (sum of squares, channels added) of every
	// finished tenth of a second.
	tenths []float64

	maxMomentary, maxShortTerm float64 // mean squares
}

// NewLoudness returns a meter for the given number of channels, one or two.
func NewLoudness(sampleRateHz, channels int) *Loudness {
	if channels < 1 || channels > 2 {
		panic(fmt.Sprintf("meter: loudness of %d channels is not defined here", channels))
	}
	m := &Loudness{
		sampleRateHz: int64(sampleRateHz),
		energy:       make([]float64, channels),
		tenths:       make([]float64, 0, tenthsReserved),
	}
	for range channels {
		m.channels = append(m.channels, newKWeight(sampleRateHz))
	}
	m.hopEnd = m.frameOf(1)
	return m
}

// Add takes the next frames: one slice a channel, all of one length.
func (m *Loudness) Add(ch [][]float32) {
	frames := len(ch[0])
	for from := 0; from < frames; {
		to := min(frames, from+int(m.hopEnd-m.frames))
		for c := range m.channels {
			m.energy[c] = m.channels[c].addEnergy(m.energy[c], ch[c][from:to])
		}
		m.frames += int64(to - from)
		from = to
		if m.frames == m.hopEnd {
			m.endHop()
		}
	}
}

// frameOf returns the frame on which a hop begins, to the nearest sample.
func (m *Loudness) frameOf(hop int64) int64 {
	return (hop*m.sampleRateHz + hopsPerSecond/2) / hopsPerSecond
}

func (m *Loudness) endHop() {
	sum := 0.0
	for c := range m.channels {
		sum += m.energy[c]
		m.energy[c] = 0
		m.channels[c].settle()
	}
	m.hops[m.hop%shortTermHops] = sum
	m.hop++
	m.hopEnd = m.frameOf(m.hop + 1)

	m.tenth += sum
	if m.hop%tenthHops == 0 {
		m.tenths = append(m.tenths, m.tenth)
		m.tenth = 0
	}
	m.maxMomentary = max(m.maxMomentary, m.meanOfLast(momentaryHops))
	m.maxShortTerm = max(m.maxShortTerm, m.meanOfLast(shortTermHops))
}

// meanOfLast is the mean square of the last hops, 0 if there are not so many.
func (m *Loudness) meanOfLast(hops int64) float64 {
	if m.hop < hops {
		return 0
	}
	sum := 0.0
	for k := m.hop - hops; k < m.hop; k++ {
		sum += m.hops[k%shortTermHops]
	}
	return sum / float64(m.frameOf(m.hop)-m.frameOf(m.hop-hops))
}

// windows lists the mean square of every window of the given length that the
// tenths hold, one a tenth.
func (m *Loudness) windows(tenths []float64, length int) []float64 {
	if len(tenths) < length {
		return nil
	}
	means := make([]float64, 0, len(tenths)-length+1)
	for j := 0; j+length <= len(tenths); j++ {
		sum := 0.0
		for _, energy := range tenths[j : j+length] {
			sum += energy
		}
		frames := m.frameOf(int64(j+length)*tenthHops) - m.frameOf(int64(j)*tenthHops)
		means = append(means, sum/float64(frames))
	}
	return means
}

// IntegratedLUFS is the gated loudness of everything so far, BS.1770-5 annex 1
// eqs. (3) to (7). It is Silent if no 400 ms block is above -70 LUFS.
func (m *Loudness) IntegratedLUFS() DB {
	return gated(m.windows(m.tenths, momentaryTenths))
}

// gated is the loudness of blocks of 400 ms, given as mean squares, by the two
// gates. It overwrites blocks.
func gated(blocks []float64) DB {
	blocks = above(blocks, powerOf(absoluteGateLUFS))
	blocks = above(blocks, mean(blocks)*DB(integratedGateLU).Power())
	return lufs(mean(blocks))
}

// IntegratedOf is the integrated loudness of one channel of which only the weighted
// mean squares of its hops of 10 ms are known, as KPower finds them.
func IntegratedOf(hops []float64) DB {
	var blocks []float64
	for at := 0; at+momentaryHops <= len(hops); at += tenthHops {
		blocks = append(blocks, mean(hops[at:at+momentaryHops]))
	}
	return gated(blocks)
}

// KPower weights one channel as Loudness does and measures it hop by hop.
type KPower struct{ weight kWeight }

// NewKPower returns a meter for one channel at sampleRateHz.
func NewKPower(sampleRateHz int) *KPower { return &KPower{newKWeight(sampleRateHz)} }

// Hop takes the next samples and returns the mean square of what the weighting
// leaves of them.
func (k *KPower) Hop(x []float32) float64 {
	power := k.weight.addEnergy(0, x) / float64(len(x))
	k.weight.settle()
	return power
}

// MaxMomentaryLUFS is the largest loudness of any 400 ms, Tech 3341.
func (m *Loudness) MaxMomentaryLUFS() DB { return lufs(m.maxMomentary) }

// MaxShortTermLUFS is the largest loudness of any 3 s, Tech 3341.
func (m *Loudness) MaxShortTermLUFS() DB { return lufs(m.maxShortTerm) }

// ShortTermLUFS is the loudness of the three seconds about a moment (Tech 3341), to the
// nearest 0.1 s; Silent if the file does not hold all of them.
func (m *Loudness) ShortTermLUFS(aboutS float64) DB {
	from := int64(math.Round(aboutS*hopsPerSecond/tenthHops)) - shortTermTenths/2
	to := from + shortTermTenths
	if from < 0 || to > int64(len(m.tenths)) {
		return Silent
	}
	sum := 0.0
	for _, energy := range m.tenths[from:to] {
		sum += energy
	}
	return lufs(sum / float64(m.frameOf(to*tenthHops)-m.frameOf(from*tenthHops)))
}

// lufs is BS.1770-5 annex 1 eq. (2).
func lufs(meanSquare float64) DB { return FromPower(meanSquare) - 0.691 }

func powerOf(loudness DB) float64 { return (loudness + 0.691).Power() }

// above keeps the values larger than the gate, in place.
func above(values []float64, gate float64) []float64 {
	return slices.DeleteFunc(values, func(v float64) bool { return v <= gate })
}

// mean is 0 for no values.
func mean(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}
