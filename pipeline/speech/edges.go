package speech

import "math"

// widen moves the ends of a word outward over the soft consonants that belong
// to it: frames that stand over the room of the neighboring pause in any band.
func (d *drawing) widen(cores []Span, i int) Span {
	c := cores[i]
	from, to := 0, d.f.Len()
	if i > 0 {
		from = cores[i-1].To
	}
	if i+1 < len(cores) {
		to = cores[i+1].From
	}
	before := d.floorBeside(Span{from, c.From}, true)
	after := d.floorBeside(Span{c.To, to}, false)
	return Span{
		From: d.reach(c, -1, max(from, c.From-maxBefore), max(from, c.From-maxBefore-maxBump), before),
		To:   d.reach(c, +1, min(to, c.To+maxAfter)-1, min(to, c.To+maxAfter+maxBump)-1, after) + 1,
	}
}

// reach walks outward from word c in steps of dir and returns the last frame that
// belongs to it, no further than most. A word dies away; a sound that rises again
// outside it and goes on is a breath, and the word ends at the dip before it. Such a
// breath is looked for up to frame far, and within c too where it was loud enough to
// be taken for its first or last part.
func (d *drawing) reach(c Span, dir, most, far int, floor [bandCount]float64) int {
	edge := c.From
	if dir > 0 {
		edge = c.To - 1
	}
	last, gap := edge, 0
	dip, dipAt, loudest := math.Inf(1), edge, float32(silentDB)
	for i := d.lead(c, edge, dir) + dir; (far-i)*dir >= 0 && gap <= edgeGap; i += dir {
		over, within := d.overFloor(i, floor), (edge-i)*dir >= 0
		if over < dip {
			dip, dipAt, loudest = over, i, silentDB
		}
		if (i-dipAt)*dir > 1 { // the dip's own window may still see the word
			loudest = max(loudest, d.level[i])
		}
		breath := (edge-dipAt)*dir < 0 || loudest < d.speech.at(i)-breathDB
		switch {
		case !within && over < edgeDB:
			gap++
		case over >= dip+edgeDB && (i-dipAt)*dir > maxBump && breath:
			return d.pastDip(dipAt, -dir)
		case !within && (most-i)*dir >= 0:
			last, gap = i, 0
		}
	}
	return last
}

// lead is the frame of c from which on, outward from there to its edge, no voice is
// heard; the edge itself if none is heard at all, as in a whisper.
func (d *drawing) lead(c Span, edge, dir int) int {
	run := 0
	for i := edge; i >= c.From && i < c.To; i -= dir {
		if run++; d.f.Voicing[i] < sung {
			run = 0
		}
		if run == sungRun {
			return i + (run-1)*dir
		}
	}
	return edge
}

// pastDip returns the last frame before a word begins, or the first behind its end,
// found from the dip between it and a breath in steps of dir toward the word: the
// next one is twice as loud as the softest before. The dip is that of a spectrum,
// whose window sees the word 7 ms before it comes.
func (d *drawing) pastDip(dip, dir int) int {
	softest := d.f.Power[dip]
	for i := dip + dir; i != dip+4*dir && i >= 0 && i < d.f.Len(); i += dir {
		if d.f.Power[i] >= 2*softest {
			return i - dir
		}
		softest = min(softest, d.f.Power[i])
	}
	return dip
}
