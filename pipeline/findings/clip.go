package findings

import (
	"cmp"
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
	// of a flat top at full scale. A smooth top drawn in coarse steps (8 bit) looks
	// flat, too, but falls by one step at a time.
	hardSteps = 3
	// flatTolerance is how far samples of a lowered flat top may lie apart: 2.5 steps
	// of 16 bits, what dither of two steps does to them, or a share of their level.
	flatTolerance, flatShare = 2.5 / 32768, 1e-4
	// flatDrop is how far the sound must fall right beside a flat top, as a share of
	// the level and in tolerances: a smooth top leaves the tolerance gently.
	flatDrop, flatDrops = 0.01, 8
	// flatTops is how many tops at one level make it a ceiling. In clean speech a flat
	// top is met once in some minutes, and never two at one level.
	flatTops = 4
	// ceilingWidth is 0.1 dB: within it, tops are at one level.
	ceilingWidth = 1.0116
	// lowestCeiling is -30 dBFS: softer tops are drawn in steps too coarse to tell.
	lowestCeiling = 0.0316
	// ceilingS is how long a ceiling is remembered without being met: levels may have
	// been changed from phrase to phrase after the clipping.
	ceilingS = 2.0
)

// clipFinder finds flat tops in one channel: at full scale each counts, below it
// only where several stop at one level and nothing is above it.
type clipFinder struct {
	rateHz int
	at     int64 // of the next sample
	last   float32
	step   float32 // the smallest difference of two samples so far: the file's own step

	run       int     // equal samples at full scale
	runBefore float32 // the sample before them

	flat       int     // samples of the plateau, all within the tolerance of flatLevel
	flatLevel  float32 // its first sample
	flatBefore float32

	ceilings [2]ceiling // of positive and negative tops
	out      []place
}

// ceiling is a level at which tops stop.
type ceiling struct {
	level   float32 // without sign, 0 if there is none
	tops    int
	lastAt  int64
	pending [flatTops - 1]place // the tops before there were enough
}

func newClipFinder(rateHz int) *clipFinder { return &clipFinder{rateHz: rateHz, step: 1} }

func (c *clipFinder) add(x []float32) {
	for _, v := range x {
		c.look(v)
		c.last = v
		c.at++
	}
}

func (c *clipFinder) look(v float32) {
	if d := abs(v - c.last); d > 0 {
		c.step = min(c.step, d)
		c.endRun(v)
		if abs(v) >= clipLevel {
			c.run, c.runBefore = 1, c.last
		}
	} else if c.run > 0 {
		c.run++
	}

	if d := abs(v - c.flatLevel); d <= max(flatTolerance, flatShare*abs(v)) {
		c.flat++
	} else {
		if c.flat >= clipRun {
			c.endFlat(v)
		}
		c.flat, c.flatLevel, c.flatBefore = 1, v, c.last
	}

	side := &c.ceilings[0]
	if v < 0 {
		side = &c.ceilings[1]
	}
	if side.tops > 0 && abs(v) > side.level*ceilingWidth {
		side.tops = 0
	}
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
	level, before, after, side := c.flatLevel, c.flatBefore, v, &c.ceilings[0]
	if level < 0 {
		level, before, after, side = -level, -before, -after, &c.ceilings[1]
	}
	fall := max(flatDrop*level, flatDrops*flatTolerance)
	if level >= clipLevel || level < lowestCeiling || level-before < fall || level-after < fall {
		return
	}
	side.meet(c, place{Lowered, c.at - int64(c.flat), c.at, level})
}

// meet takes a flat top.
func (s *ceiling) meet(c *clipFinder, p place) {
	if s.tops > 0 && (p.level*ceilingWidth < s.level || p.from > s.lastAt+int64(ceilingS*float64(c.rateHz))) {
		if p.from <= s.lastAt+int64(ceilingS*float64(c.rateHz)) {
			return // a flat top under the ceiling
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

func abs(v float32) float32 { return max(v, -v) }

type softFinder struct{}

func newSoftFinder(int) *softFinder   { return &softFinder{} }
func (*softFinder) add([]float32)     {}
func (*softFinder) conclude() []place { return nil }
