package takes

import (
	"math"
	"slices"

	"lectern/pipeline/speech"
)

// The grid on which a MarkListener hears: hops of 1.1 ms, nine to a frame.
const (
	hopsPerFrame  = 9
	hopSamples    = speech.FrameSamples / hopsPerFrame
	hopsPerSecond = hopsPerFrame * speech.FramesPerSecond
	hopMS         = 1000.0 / hopsPerSecond
	// loudHops is the stretch whose loudest place is the level of a sound: 10 ms.
	loudHops = hopsPerFrame
	// A sound is held against the 44 ms before it, less 3 ms beside it, and listened to
	// for 111 ms.
	beforeHops, besideHops, ringHops = 40, 3, 100
	// apartHops is how close two sounds become one: 20 ms, as the fingers of two hands.
	apartHops = 2 * loudHops
	// onsetHops and dieHops tell how a click ends: what sounds in the first 4.4 ms, and
	// in the 13 ms after that.
	onsetHops, dieHops = 4, 16
)

// Two bands are heard: all of it, and what lies above about 1.5 kHz.
const (
	all = iota
	upper
	markBands
)

// sound is a sudden sound: its power and energy in both bands.
type sound struct {
	hop    int // where it begins
	before [markBands]float32
	loud   [markBands]float32 // the mean square of its loudest 10 ms
	after  float32            // the mean square from 89 to 111 ms behind its beginning
	energy [markBands]float32 // the sum of the hops of its first 111 ms
	// dies is the power after the first 4.4 ms against that in them, in dB.
	dies float32
}

// MarkListener listens for the sounds by which a reader marks a re-reading. It hears a
// mono stream at 44.1 kHz, full scale 1, as speech.Analyzer does: with the rumble taken
// out. Blocks may have any length; the answer does not depend on it. It keeps 40 bytes
// for each sudden sound, words among them: less than 2 MB an hour.
type MarkListener struct {
	sum  [markBands]float64 // of the hop that is being heard
	n    int                // its samples so far
	low  [2]float64         // two high-passes of the first order in a row make the upper band
	cum  [markBands][]float64
	rise []float32
	base int // the hop of cum[.][0] and of rise[0]
	next int // the next hop to judge

	sounds []sound
}

// NewMarkListener returns a MarkListener for one stream.
func NewMarkListener() *MarkListener {
	l := &MarkListener{base: -beforeHops - besideHops - apartHops}
	for b := range l.cum {
		l.cum[b] = make([]float64, -l.base+1)
	}
	l.rise = make([]float32, -l.base)
	return l
}

// Add hears a block.
func (l *MarkListener) Add(block []float32) {
	const k = 0.19242 // 1 - exp(-2 pi 1500 / 44100): 1.5 kHz
	for len(block) > 0 {
		n := min(len(block), hopSamples-l.n)
		low, low2, sum, sumUpper := l.low[0], l.low[1], l.sum[all], l.sum[upper]
		for _, x := range block[:n] {
			v := float64(x)
			low = (1-k)*low + k*v
			high := v - low
			low2 = (1-k)*low2 + k*high
			high -= low2
			sum += v * v
			sumUpper += high * high
		}
		l.low, l.sum = [2]float64{low, low2}, [markBands]float64{sum, sumUpper}
		block = block[n:]
		if l.n += n; l.n == hopSamples {
			l.hop()
		}
	}
}

// hop ends a hop.
func (l *MarkListener) hop() {
	for b, s := range l.sum {
		cum := l.cum[b]
		l.cum[b] = append(cum, cum[len(cum)-1]+s/hopSamples)
		l.sum[b] = 0
	}
	l.n = 0
	if at := len(l.cum[all]) - 1 - loudHops + l.base; at >= 0 {
		l.rise = append(l.rise, l.riseAt(at))
	}
	for l.base+len(l.cum[all])-1 >= l.next+apartHops+loudHops+ringHops {
		l.judge()
	}
	if done := l.next - beforeHops - besideHops - apartHops - l.base; done > 4*hopsPerSecond {
		for b := range l.cum {
			l.cum[b] = l.cum[b][:copy(l.cum[b], l.cum[b][done:])]
		}
		l.rise = l.rise[:copy(l.rise, l.rise[done:])]
		l.base += done
	}
}

// power is the mean square of hops in a band.
func (l *MarkListener) power(band, from, to int) float64 {
	cum := l.cum[band]
	return (cum[to-l.base] - cum[from-l.base]) / float64(to-from)
}

// riseAt tells how many times the 10 ms from a hop on stand over what was before, in
// the band where they do most.
func (l *MarkListener) riseAt(hop int) float32 {
	const share = float64(beforeHops) / loudHops
	most := 0.0
	at := hop - l.base
	for b := range markBands {
		cum := l.cum[b]
		before := max(cum[at-besideHops]-cum[at-besideHops-beforeHops], beforeHops*leastPower)
		most = max(most, (cum[at+loudHops]-cum[at])/before)
	}
	return float32(share * most)
}

// leastPower is what counts as nothing: -120 dBFS.
const leastPower = 1e-12

// judge keeps the next hop if a sudden sound begins there.
func (l *MarkListener) judge() {
	hop := l.next
	l.next++
	at := hop - l.base
	rise := l.rise[at]
	if rise < float32(ratio(suddenDB)) || rise < slices.Max(l.rise[at-apartHops:at+apartHops+1]) ||
		slices.Max(l.rise[at-apartHops:at]) == rise {
		return
	}
	s := sound{hop: hop}
	for b := range markBands {
		s.before[b] = float32(l.power(b, hop-besideHops-beforeHops, hop-besideHops))
		for i := hop - loudHops; i <= hop+loudHops; i++ {
			s.loud[b] = max(s.loud[b], float32(l.power(b, i, i+loudHops)))
		}
		s.energy[b] = float32(l.power(b, hop, hop+ringHops) * ringHops)
	}
	s.after = float32(l.power(all, hop+ringHops-20, hop+ringHops))
	b := s.band()
	loudest := 0.0
	for i := hop; i < hop+loudHops; i++ {
		loudest = max(loudest, l.power(b, i, i+1))
	}
	for l.power(b, s.hop, s.hop+1) < loudest/4 {
		s.hop++
	}
	rest := func(from, to int) float64 {
		return max(leastPower, (l.power(b, from, to)-float64(s.before[b]))*float64(to-from))
	}
	s.dies = float32(decibels(rest(s.hop+onsetHops, s.hop+dieHops) / rest(s.hop-1, s.hop+onsetHops)))
	l.sounds = append(l.sounds, s)
}

// bright is the share of the upper band in the sound, in dB; -Inf if nothing is heard
// there over what was before.
func (s *sound) bright() float64 {
	if s.loud[upper] < 1.5*s.before[upper] {
		return math.Inf(-1)
	}
	var p [markBands]float64
	for b := range p {
		p[b] = max(float64(s.loud[b]-s.before[b]), leastPower)
	}
	return min(0, decibels(p[upper]/p[all]))
}

// band is the one in which the sound is listened to.
func (s *sound) band() int {
	if s.bright() >= brightDB {
		return upper
	}
	return all
}

// ringMS is how long its energy would take at the level of its loudest 10 ms, in a room
// of the given power; in the upper band the room is what was before the sound.
func (s *sound) ringMS(room float64) float64 {
	b := s.band()
	if b == upper {
		room = float64(s.before[upper])
	}
	loud := max(float64(s.loud[b])-room, leastPower)
	return (float64(s.energy[b]) - room*ringHops) / loud * hopMS
}

func ratio(db float64) float64 { return math.Pow(10, db/10) }

func decibels(ratio float64) float64 { return 10 * math.Log10(ratio) }
