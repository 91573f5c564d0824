package findings

import (
	"cmp"
	"math"
	"slices"
)

// Clip is a place where the sound ran into a ceiling.
type Clip struct {
	Kind          ClipKind
	FromS, UntilS float64
	DB            float64 // the ceiling in dBFS
}

// ClipKind is how a ceiling shows.
type ClipKind int

const (
	// Hard: flat tops at full scale, the recorder's own ceiling.
	Hard ClipKind = iota
	// Lowered: flat tops below full scale. Clipped, then made softer.
	Lowered
	// Soft: rounded tops pressed together, as by an overdriven input.
	Soft
)

// place is a stretch of samples, from included, to not.
type place struct {
	kind     ClipKind
	from, to int64
	level    float32 // of the ceiling, full scale 1
}

// joined puts the places of all channels in order; those of one kind less than
// gap samples apart become one.
func joined(places []place, gap int) []place {
	slices.SortStableFunc(places, func(a, b place) int { return cmp.Compare(a.from, b.from) })
	var last [Soft + 1]int // of each kind, its place in out, counted from 1
	var out []place
	for _, p := range places {
		if n := last[p.kind]; n > 0 && p.from < out[n-1].to+int64(gap) {
			q := &out[n-1]
			q.to, q.level = max(q.to, p.to), max(q.level, p.level)
			continue
		}
		if len(out) == mostPlaces {
			break
		}
		out = append(out, p)
		last[p.kind] = len(out)
	}
	return out
}

// The numbers below are our choice.
const (
	// clipLevel is nearly full scale: converters stop a little under it (-0.18 dBFS).
	clipLevel = 0.98
	// clipRun is how many equal samples make a flat top. One or two at full scale are
	// also what a limiter or a normalized peak leaves there, and cannot be told from it.
	clipRun = 3
	// hardSteps is how many of the file's own steps the sound must fall on either side
	// of a flat top. A smooth top drawn in coarse steps (8 bit) looks
	// flat, too, but falls by one step at a time.
	hardSteps = 3
	// flatTolerance is how far samples of a lowered flat top may lie apart: 2.5 steps
	// of 16 bits, what dither of two steps does to them, or a share of their level.
	flatTolerance, flatShare = 2.5 / 32768, 1e-4
	// flatDrop is how far the sound must fall within two samples beside a flat top, as
	// a share of the level and in tolerances. A smooth top bends too gently for it: one
	// that holds three samples within the tolerance falls by no more than nine times
	// that within two more.
	flatDrop, flatDrops = 0.003, 10
	// flatTops is how many tops at one level make it a ceiling. In clean speech a flat
	// top is met once in some minutes, and never two at one level.
	flatTops = 4
	// ceilingWidth is 0.1 dB: within it, tops are at one level.
	ceilingWidth = 1.0116
	// lowestCeiling is -30 dBFS: softer tops are drawn in steps too coarse to tell.
	lowestCeiling = 0.0316
	// ceilingS is how long a ceiling is remembered against lower ones: levels may have
	// been changed from phrase to phrase after the clipping.
	ceilingS = 2.0
)

// clipFinder finds flat tops in one channel: at full scale each counts, below it
// only where several stop at one level and nothing is above it.
type clipFinder struct {
	rateHz int
	at     int64 // of the next sample
	last   float32
	last2  float32 // the one before last
	step   float32 // the smallest difference of two samples so far: the file's own step

	run       int     // equal samples at full scale
	runBefore float32 // the sample before them

	flat       int        // samples of the plateau, all within the tolerance of flatLevel
	flatLevel  float32    // its first sample
	flatBefore [2]float32 // the two samples before it
	late       latePlateau

	ceilings [2]ceiling // of positive and negative tops
	out      []place
}

// latePlateau is a flat top behind which the first sample has not fallen enough: the
// ceiling cut the wave close to where it turned. The second one decides.
type latePlateau struct {
	waits bool
	place
	sign, under float32 // the sample times sign must not be over under
	side        *ceiling
}

// ceiling is a level at which tops stop.
type ceiling struct {
	level   float32 // without sign, 0 if there is none
	tops    int
	lastAt  int64
	pending [flatTops - 1]place // the tops before there were enough
}

func newClipFinder(rateHz int) *clipFinder { return &clipFinder{rateHz: rateHz, step: 1} }

func (c *clipFinder) add(s stretch) {
	if c.isIdle(s) {
		c.passOver(s)
		return
	}
	for _, v := range s.x {
		c.look(v)
		c.last2, c.last = c.last, v
		c.at++
	}
}

// isIdle tells that nothing begins or ends in s that is kept: no run at full scale, no
// ceiling, and no plateau that is long enough and neither too soft nor too loud.
func (c *clipFinder) isIdle(s stretch) bool {
	if c.run > 0 || s.peak >= clipLevel || c.late.waits {
		return false
	}
	for i := range c.ceilings {
		if c.ceilings[i].isUnder(s.peak) {
			return false
		}
	}
	isSoft := abs(c.flatLevel) < lowestCeiling
	return (c.flat < clipRun || isSoft) && (s.still > tolerance(s.peak) || isSoft && s.peak < lowestCeiling)
}

// passOver does what look does in a stretch that is idle.
func (c *clipFinder) passOver(s stretch) {
	c.at += int64(len(s.x))
	c.step = min(c.step, s.step)
	// The last plateau begins for certain where a neighbor is further than both may lie
	// from its first sample; a little more for the rounding.
	wide, from := 2.01*tolerance(s.peak), 0
	for i := len(s.x) - 1; i >= 2; i-- {
		if abs(s.x[i]-s.x[i-1]) > wide {
			c.last2, c.last, from = s.x[i-2], s.x[i-1], i
			c.flatLevel = float32(math.Inf(1)) // no sample is near it
			break
		}
	}
	for _, v := range s.x[from:] {
		c.follow(v)
		c.last2, c.last = c.last, v
	}
}

// follow counts v to the plateau or begins another with it.
func (c *clipFinder) follow(v float32) {
	if isNear(c.flatLevel, v) {
		c.flat++
		return
	}
	c.flat, c.flatLevel, c.flatBefore = 1, v, [2]float32{c.last2, c.last}
}

// tolerance is how far a sample of a plateau may lie from the first, for one as far out as v.
func tolerance(v float32) float32 { return max(flatTolerance, flatShare*abs(v)) }

// isNear tells that v belongs to the plateau that level is the first sample of.
func isNear(level, v float32) bool {
	apart := abs(v - level)
	return apart <= flatTolerance || apart <= flatShare*abs(v)
}

func (c *clipFinder) look(v float32) {
	if d := abs(v - c.last); d > 0 {
		c.step = min(c.step, d)
		if c.run > 0 {
			c.endRun(v)
		}
		if abs(v) >= clipLevel {
			c.run, c.runBefore = 1, c.last
		}
	} else if c.run > 0 {
		c.run++
	}

	if c.late.waits {
		if c.late.waits = false; v*c.late.sign <= c.late.under {
			c.late.side.meet(c, c.late.place)
		}
	}
	if c.flat >= clipRun && !isNear(c.flatLevel, v) {
		c.endFlat(v)
	}
	c.follow(v)

	side := &c.ceilings[0]
	if v < 0 {
		side = &c.ceilings[1]
	}
	if side.isUnder(abs(v)) {
		side.tops = 0
	}
}

// isUnder tells that a sample goes over the ceiling: it is none.
func (s *ceiling) isUnder(magnitude float32) bool {
	return s.tops > 0 && magnitude > s.level*ceilingWidth
}

// endRun looks at the equal samples at full scale that end before v.
func (c *clipFinder) endRun(v float32) {
	fall := hardSteps * c.step
	top := abs(c.last)
	if c.run >= clipRun && top-abs(c.runBefore) >= fall && top-abs(v) >= fall {
		c.mark(place{Hard, c.at - int64(c.run), c.at, top})
	}
	c.run = 0
}

// endFlat looks at the plateau that ends before v.
func (c *clipFinder) endFlat(v float32) {
	sign, side := float32(1), &c.ceilings[0]
	if c.flatLevel < 0 {
		sign, side = -1, &c.ceilings[1]
	}
	level, before := sign*c.flatLevel, min(sign*c.flatBefore[0], sign*c.flatBefore[1])
	fall := max(flatDrop*level, flatDrops*flatTolerance, hardSteps*c.step)
	if level >= clipLevel || level < lowestCeiling || level-before < fall || sign*c.flatBefore[1] > level {
		return
	}
	p := place{Lowered, c.at - int64(c.flat), c.at, level}
	if level-sign*v >= fall {
		side.meet(c, p)
		return
	}
	c.late = latePlateau{level > sign*v, p, sign, level - fall, side}
}

// meet takes a flat top.
func (s *ceiling) meet(c *clipFinder, p place) {
	if s.tops > 0 && p.level*ceilingWidth < s.level {
		if p.from <= s.lastAt+int64(ceilingS*float64(c.rateHz)) {
			return // under the ceiling
		}
		s.tops = 0
	}
	if s.tops == 0 {
		s.level = p.level
	}
	s.lastAt = p.to
	if s.tops < len(s.pending) {
		s.pending[s.tops] = p
		s.tops++
		return
	}
	if s.tops == len(s.pending) {
		for _, q := range s.pending {
			c.mark(q)
		}
	}
	s.tops = flatTops
	c.mark(p)
}

// mark keeps a place, joined to the last one of its kind if it is near.
func (c *clipFinder) mark(p place) {
	for i := len(c.out) - 1; i >= max(0, len(c.out)-2); i-- {
		q := &c.out[i]
		if q.kind == p.kind && p.from < q.to+int64(c.rateHz/20) && p.to > q.from {
			q.from, q.to, q.level = min(q.from, p.from), max(q.to, p.to), max(q.level, p.level)
			return
		}
	}
	if len(c.out) < mostPlaces {
		c.out = append(c.out, p)
	}
}

// conclude ends a run that the recording ends in.
func (c *clipFinder) conclude() []place {
	c.endRun(0)
	return c.out
}
