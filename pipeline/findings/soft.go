package findings

import (
	"math"
	"slices"
)

// The numbers below are our choice.
const (
	// topDB is how far under the highest sample tops count as being at the ceiling,
	// and the same as a ratio.
	topDB, topRatio = 1.5, 0.8414
	// A top is compared with waves of the same sound, within besideTopS and as wide
	// within widthRatio, that lie 2 to 9 dB under it.
	besideTopS, widthRatio  = 0.04, 1.4
	lowerRatio, lowestRatio = 0.7943, 0.3548
	// wideS is the least width of a wave at half its height, waves below 1.1 kHz:
	// of those above, too few samples tell the shape.
	wideS = 0.0003
	// flatterBy is how much wider the top tenth of the tops must be, as a share of their
	// width at half height: a sine has 0.43. Over hundreds of tops clean speech,
	// limited or not, stays within 0.055.
	flatterBy = 0.07
	// flatterSure is the same in standard errors: a few tops of clean speech scatter up
	// to 0.09, by 4.3 of them at the most. softTops is how many tops it takes, and
	// softShare which share of the waves of the loudest 12 dB they must be.
	flatterSure, softTops, softShare = 5.0, 25, 0.004
	// softLowest is the softest sound whose waves are looked at, -46 dBFS.
	softLowest = 0.005
	// levels of tops are sorted into steps of softStepDB.
	softStepDB, softSteps = 0.25, 256
	softTopDB             = 18.0 // float samples may lie over full scale
)

// softFinder tells in one channel whether the highest waves are flatter than
// lower waves of the same sound. Turning the level up or down, as a limiter does,
// leaves the shape of a wave alone; an overdriven input presses its top together.
type softFinder struct {
	rateHz int
	at     int64
	wave   []float32 // of a wave that is not over, the samples so far
	signs  [2]softSide
}

// softSide are the waves of one sign.
type softSide struct {
	peak  float32 // the highest so far
	waves [256]wave
	n     int // waves so far, in the ring waves
	next  int // the first that has not been compared
	tops  [softSteps]shapes
	loud  [softSteps]int // waves of each level
	out   []place
	// sifted is the peak at which the places were last gone through.
	sifted float32
}

// wave is the sound between two changes of sign.
type wave struct {
	from, to int64
	peak     float32
	half     float64 // samples above half the peak
	top      float64 // samples above nine tenths of it, as a share of half
}

// shapes add up how much flatter tops were than the waves beside them.
type shapes struct {
	n           int
	sum, square float64
}

func newSoftFinder(rateHz int) *softFinder {
	return &softFinder{rateHz: rateHz, wave: make([]float32, 0, max(16, rateHz/25))}
}

func (f *softFinder) add(x []float32) {
	for len(x) > 0 {
		above := x[0] > 0
		if len(f.wave) > 0 {
			above = f.wave[0] > 0
		}
		n := onOneSide(x, above)
		f.at += int64(n)
		if whole := n < len(x); whole && len(f.wave) == 0 {
			f.measure(x[:n])
		} else {
			f.wave = append(f.wave, x[:min(n, cap(f.wave)-len(f.wave))]...) // a longer one is no sound
			if whole {
				f.measure(f.wave)
				f.wave = f.wave[:0]
			}
		}
		x = x[n:]
	}
}

// onOneSide counts the samples of x before the first on the other side of 0.
func onOneSide(x []float32, above bool) int {
	for i, v := range x {
		if v > 0 != above {
			return i
		}
	}
	return len(x)
}

// measure keeps the wave that is over, if it may be a top or stand beside one.
func (f *softFinder) measure(x []float32) {
	least := wideS * float64(f.rateHz)
	if float64(len(x)) < least || len(x) >= cap(f.wave) { // no wave is wider at half height than it is long
		return
	}
	side := &f.signs[0]
	if x[0] <= 0 {
		side = &f.signs[1]
	}
	peak := largest(x)
	if peak < softLowest || peak < side.peak/4 {
		return
	}
	half := widthAt(x, peak/2)
	if half < least {
		return
	}
	side.peak = max(side.peak, peak)
	side.loud[softStep(peak)]++
	side.waves[side.n%len(side.waves)] = wave{f.at - int64(len(x)), f.at, peak, half, widthAt(x, 0.9*peak) / half}
	side.n++
	reach := int64(besideTopS * float64(f.rateHz))
	for side.next < side.n && (side.waves[side.next%len(side.waves)].from+reach < f.at || side.n-side.next > len(side.waves)/2) {
		side.compare(side.next, reach)
		side.next++
	}
}

// widthAt is how many samples of a wave lie above a level, crossings
// interpolated.
func widthAt(x []float32, level float32) float64 {
	width := 0.0
	before := -level
	for _, v := range x {
		now := abs(v) - level
		switch {
		case now >= 0 && before >= 0:
			width++
		case now >= 0:
			width += float64(now / (now - before))
		case before >= 0:
			width += float64(before / (before - now))
		}
		before = now
	}
	return width
}

// softStep sorts a peak by its level.
func softStep(peak float32) int {
	return min(softSteps-1, max(0, int((softTopDB-20*math.Log10(float64(peak)))/softStepDB)))
}

// compare holds wave i against lower waves beside it.
func (s *softSide) compare(i int, reach int64) {
	w := s.waves[i%len(s.waves)]
	if w.peak < s.peak*topRatio {
		return
	}
	lower, lowest := w.peak*lowerRatio, w.peak*lowestRatio
	var sum, n float64
	for k := max(0, s.n-len(s.waves)); k < s.n; k++ {
		m := s.waves[k%len(s.waves)]
		ratio := m.half / w.half
		if m.from < w.from-reach || m.from > w.from+reach || m.peak > lower || m.peak < lowest ||
			ratio > widthRatio || ratio < 1/widthRatio {
			continue
		}
		sum += w.top - m.top
		n++
	}
	if n == 0 {
		return
	}
	t := &s.tops[softStep(w.peak)]
	t.n++
	t.sum += sum / n
	t.square += sum / n * sum / n
	s.mark(place{Soft, w.from, w.to, w.peak}, reach)
}

// mark keeps the place of a top, joined to the last one if it is near. If there
// are too many, those that have turned out to be no tops go.
func (s *softSide) mark(p place, gap int64) {
	if n := len(s.out); n > 0 && p.from < s.out[n-1].to+gap && p.level*topRatio <= s.out[n-1].level {
		s.out[n-1].to, s.out[n-1].level = p.to, max(s.out[n-1].level, p.level)
		return
	}
	if len(s.out) == mostPlaces && s.peak > s.sifted {
		s.out, s.sifted = slices.DeleteFunc(s.out, s.under), s.peak
	}
	if len(s.out) < mostPlaces {
		s.out = append(s.out, p)
	}
}

// under tells a place that lies too low to be at the ceiling.
func (s *softSide) under(p place) bool { return p.level < s.peak*topRatio }

// isSoft judges the tops of the whole recording.
func (s *softSide) isSoft() bool {
	var all shapes
	first, loud := softStep(s.peak), 0
	for i := first; i <= min(softSteps-1, first+int(topDB/softStepDB)); i++ {
		t := s.tops[i]
		all.n, all.sum, all.square = all.n+t.n, all.sum+t.sum, all.square+t.square
	}
	for i := first; i < min(softSteps, first+int(12/softStepDB)); i++ {
		loud += s.loud[i]
	}
	if all.n < softTops || float64(all.n) < softShare*float64(loud) {
		return false
	}
	n := float64(all.n)
	mean := all.sum / n
	deviation := math.Sqrt(max(0, all.square/n-mean*mean) / n)
	return mean >= flatterBy && mean >= flatterSure*deviation
}

func (f *softFinder) conclude() []place {
	var out []place
	for k := range f.signs {
		s := &f.signs[k]
		for ; s.next < s.n; s.next++ {
			s.compare(s.next, int64(besideTopS*float64(f.rateHz)))
		}
		if s.isSoft() {
			out = append(out, slices.DeleteFunc(s.out, s.under)...)
		}
	}
	return out
}
