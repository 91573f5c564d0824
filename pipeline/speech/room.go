package speech

import (
	"math"
	"slices"
)

// overFloor returns how far frame i stands over floor in the band where it
// does most, or 0 if it is only the room itself grown louder: the same in all
// bands, as where a pause is eased down. The lowest band is left out: it is hum.
func (d *drawing) overFloor(i int, floor [bandCount]float64) float64 {
	most, least := math.Inf(-1), math.Inf(1)
	for b := 1; b < bandCount; b++ {
		over := d.overBand(b, i, floor)
		most = max(most, over)
		if over > -edgeDB { // else the band is empty
			least = min(least, over)
		}
	}
	if most < grownDB && most-least < unlikeDB {
		return 0
	}
	return most
}

// overBand returns how far frame i stands over floor in band b: the frame itself or
// its louder neighbor, whichever is softer, which takes away single splashes of noise.
func (d *drawing) overBand(b, i int, floor [bandCount]float64) float64 {
	side := math.Inf(-1)
	if i > 0 {
		side = d.f.BandDB(b, i-1)
	}
	if i+1 < d.f.Len() {
		side = max(side, d.f.BandDB(b, i+1))
	}
	return min(d.f.BandDB(b, i), side) - floor[b]
}

// shortGap is the length under which a gap tells little about the room: words
// die away all through it, or the file was cut close.
const shortGap = 20

// bandFloor returns the level of the room in each band within s: the lower
// third of its frames, digital silence left out; in a short gap no more than the
// room of the whole stream. It is never lower than the stream's room less 20 dB.
func (d *drawing) bandFloor(s Span) [bandCount]float64 {
	var out [bandCount]float64
	for b := range bandCount {
		level, ok := d.bandQuantile(b, s, 1.0/3)
		if !ok {
			level = d.m.NoiseDB - 20
		}
		if s.Len() < shortGap {
			level = min(level, d.room[b])
		}
		out[b] = max(level, d.m.NoiseDB-20)
	}
	return out
}

// floorBeside returns the level of the room in gap for the word before it, or for
// the word after it: where the room jumps in the gap, that of the side the word lies on.
func (d *drawing) floorBeside(gap Span, after bool) [bandCount]float64 {
	jump := d.roomJump(gap)
	switch {
	case jump == gap.To:
	case after:
		gap.From = jump
	default:
		gap.To = jump
	}
	return d.bandFloor(gap)
}

// bandQuantile returns the q quantile of the level of band b over s, digital
// silence left out; false if there is nothing else.
func (d *drawing) bandQuantile(b int, s Span, q float64) (float64, bool) {
	d.vals = d.vals[:0]
	for i := s.From; i < s.To; i++ {
		if d.f.Power[i] > 0 {
			d.vals = append(d.vals, d.f.Band[b][i])
		}
	}
	if len(d.vals) == 0 {
		return 0, false
	}
	slices.Sort(d.vals)
	return float64(d.vals[int(q*float64(len(d.vals)-1))]) / 100, true
}

// sounds returns what stands over the room in pause p, 30 ms of margin on
// each side. Where the room itself jumps within the pause, each side is held
// against its own.
func (d *drawing) sounds(p Span) []Span {
	var out []Span
	split := d.roomJump(p)
	for _, side := range []Span{{p.From, split}, {split, p.To}} {
		floor := d.bandFloor(side)
		for i := side.From; i < side.To; i++ {
			if d.overFloor(i, floor) >= edgeDB || d.overBand(0, i, floor) >= thumpDB || d.spike(i, floor) {
				out = append(out, Span{max(p.From, i-3), min(p.To, i+4)})
			}
		}
	}
	return join(out, 0)
}

// roomJump returns the frame at which the room gets louder or softer within p and
// stays so, as where a knob is turned: all bands alike, the lowest too, which a breath
// does not raise, and steady on either side. Without a jump it is the end of p.
func (d *drawing) roomJump(p Span) int {
	sums := make([]float64, p.Len()+1)
	for i := range p.Len() {
		sums[i+1] = sums[i] + float64(d.level[p.From+i])
	}
	n := p.Len()
	split, most := n, 0.0
	for k := shortGap; k <= n-shortGap; k++ {
		step := sums[k]/float64(k) - (sums[n]-sums[k])/float64(n-k)
		if between := step * step * float64(k) * float64(n-k); between > most {
			split, most = k, between
		}
	}
	if split == n {
		return p.To
	}
	split += p.From
	left, right := Span{p.From, split}, Span{split, p.To}
	if !d.steady(left) || !d.steady(right) {
		return p.To
	}
	up, down := math.Inf(-1), math.Inf(1)
	for b := range bandCount {
		before, ok := d.bandQuantile(b, left, 0.5)
		after, alsoOK := d.bandQuantile(b, right, 0.5)
		if !ok || !alsoOK {
			return p.To
		}
		up, down = max(up, after-before), min(down, after-before)
	}
	if up-down > unlikeDB || down < turnedDB && up > -turnedDB {
		return p.To
	}
	return split
}

// steady tells whether the softer part of s is equally loud, as a room is. The rest may be
// clicks, breaths, and words that die away.
func (d *drawing) steady(s Span) bool {
	levels := slices.Clone(d.smooth[s.From:s.To])
	slices.Sort(levels)
	return quantile(levels, 0.6)-quantile(levels, 0.1) <= 2*turnedDB
}

// spike tells whether frame i holds a single sharp click, which the pairing in
// overFloor takes away.
func (d *drawing) spike(i int, floor [bandCount]float64) bool {
	for b := 2; b < bandCount; b++ {
		if d.f.BandDB(b, i)-floor[b] >= 2*edgeDB {
			return true
		}
	}
	return false
}
