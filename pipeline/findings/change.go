package findings

import "math"

// Change is a place from which on the room or the voice sounds another way.
type Change struct {
	AtS float64
	// DB is the largest change: of the room's level or one of its octaves; of the
	// voice's brightness or one of its octaves. Positive is louder or brighter.
	DB float64
	// BrightnessDB is how much the octaves from 2 kHz up rose against those from
	// 250 Hz to 1 kHz.
	BrightnessDB float64
}

// rule is what makes a change.
type rule struct {
	// bead is how many hops are taken together as one reading.
	bead int
	// least and most is how many beads are compared on either side.
	least, most int
	// sureTimes is how far the change stands over the scatter of the beads: 4
	// times the standard error of the difference is met by chance once in 16,000.
	sureTimes float64
	// apartS is the least time between two changes.
	apartS float64
}

// The numbers below are our choice.
var (
	// roomRule: half a second of room is one bead, 2 to 5 s are compared.
	roomRule = rule{bead: 5, least: 4, most: 10, sureTimes: 4, apartS: 45}
	// toneRule: 5 s of voice are one bead, so that the sounds of a language even
	// out; 20 to 60 s are compared, so that a line spoken in another voice is none.
	toneRule = rule{bead: 50, least: 4, most: 12, sureTimes: 4.5, apartS: 60}
)

const (
	// roomChangeDB is the step in the room's level that is told, roomOctaveDB that of
	// two neighboring octaves while the level stays. A step of 6 dB in a steady
	// sound is plain to anyone, 3 dB only to one who waits for it (common practice, no source).
	roomChangeDB, roomOctaveDB = 5.0, 6.0
	// roomHeardDBFS is how loud the room is at least in the finished file, on its
	// louder side: 15 dB under the usual limit it is lost to the ear.
	roomHeardDBFS = -75.0
	// brightDB is the change in brightness that is told, octaveDB that of one octave
	// against the others.
	brightDB, octaveDB = 3.5, 5.0
	// leastScatterDB keeps very even stretches from making a change out of little.
	leastScatterDB = 0.7
)

// bead is a stretch of hops and its middle or mean spectrum.
type bead struct {
	fromHop, toHop int
	octaves        Color
	voiceDB        float64 // level of the voice around it
}

// roomChanges finds where the room gets another sound.
func (c *conclusion) roomChanges() []Change {
	voice := c.voiceHops()
	var beads []bead
	for i := 0; i+roomRule.bead <= len(c.roomHops); i += roomRule.bead {
		hops := c.roomHops[i : i+roomRule.bead]
		beads = append(beads, bead{hops[0], hops[len(hops)-1], c.medianOf(hops), 0})
	}
	c.addVoice(beads, voice)
	return changes(beads, roomRule, c.roomStep)
}

// addVoice gives each bead the level of the voice within ten seconds.
func (c *conclusion) addVoice(beads []bead, voice []int) {
	const around = 10 * hopsPerS
	from := 0
	for i := range beads {
		b := &beads[i]
		for from < len(voice) && voice[from] < b.fromHop-around {
			from++
		}
		var sum float64
		n := 0
		for _, h := range voice[from:] {
			if h > b.toHop+around {
				break
			}
			sum += powerOf(c.hopDB(h))
			n++
		}
		b.voiceDB = c.voiceDBFS
		if n > 0 {
			b.voiceDB = decibels(sum / float64(n))
		}
	}
}

// roomStep compares the room of two sides; sure is how many standard errors it is.
func (c *conclusion) roomStep(left, right []bead) (ch Change, sure float64) {
	level := func(b bead) float64 {
		var sum float64
		for _, o := range b.octaves[1:] {
			sum += powerOf(o)
		}
		return decibels(sum)
	}
	// Where the reader turned the gain, voice and room change alike, and leveling
	// makes both one again.
	gain := step(left, right, func(b bead) float64 { return b.voiceDB }).db
	lasting := func(s stepSize) float64 {
		if rel := s.db - gain; rel*s.db <= 0 {
			return 0
		} else if math.Abs(rel) < math.Abs(s.db) {
			return rel
		}
		return s.db
	}
	loudest := math.Max(middle(left, level), middle(right, level)) + c.raise
	if loudest < roomHeardDBFS {
		return Change{}, 0
	}
	s := step(left, right, level)
	if db := lasting(s); math.Abs(db) >= roomChangeDB {
		return Change{DB: db}, s.sure
	}
	var before float64
	for o := 2; o < len(OctaveHz); o++ { // 250 Hz and up
		s := step(left, right, func(b bead) float64 { return b.octaves[o] })
		db := lasting(s)
		louder := math.Max(middle(left, func(b bead) float64 { return b.octaves[o] }), middle(right, func(b bead) float64 { return b.octaves[o] }))
		if math.Abs(db) < roomOctaveDB || louder+c.raise < roomHeardDBFS-5 {
			before = 0
			continue
		}
		if db*before > 0 && s.sure > sure {
			ch, sure = Change{DB: db}, s.sure
		}
		before = db
	}
	return ch, sure
}

// toneChanges finds where the voice gets another color.
func (c *conclusion) toneChanges() []Change {
	voice := c.voiceHops()
	var beads []bead
	for i := 0; i+toneRule.bead <= len(voice); i += toneRule.bead {
		hops := voice[i : i+toneRule.bead]
		beads = append(beads, bead{hops[0], hops[len(hops)-1], c.relativeColor(hops), 0})
	}
	return changes(beads, toneRule, toneStep)
}

// brightness is how far the octaves from 2 kHz up stand over those from 250 Hz to
// 1 kHz.
func (c Color) brightness() float64 {
	return (c[5]+c[6]+c[7])/3 - (c[2]+c[3]+c[4])/3
}

func toneStep(left, right []bead) (ch Change, sure float64) {
	bright := step(left, right, func(b bead) float64 { return b.octaves.brightness() })
	if math.Abs(bright.db) >= brightDB {
		ch, sure = Change{DB: bright.db}, bright.sure
	}
	for o := 1; o < len(OctaveHz); o++ {
		s := step(left, right, func(b bead) float64 { return b.octaves[o] - b.octaves.others(o) })
		if math.Abs(s.db) >= octaveDB && s.sure > sure {
			ch, sure = Change{DB: s.db}, s.sure
		}
	}
	ch.BrightnessDB = bright.db
	return ch, sure
}

// others is the mean of all octaves but o, 63 Hz left out.
func (c Color) others(o int) float64 {
	var sum float64
	for i := 1; i < len(c); i++ {
		if i != o {
			sum += c[i]
		}
	}
	return sum / float64(len(c)-2)
}

// stepSize is the difference of two sides and how many standard errors that is.
type stepSize struct{ db, sure float64 }

func step(left, right []bead, value func(bead) float64) stepSize {
	a, b := middle(left, value), middle(right, value)
	scatter := math.Max(leastScatterDB, math.Max(spread(left, value, a), spread(right, value, b)))
	// The middle of a few values scatters by a quarter more than their mean.
	e := 1.25 * scatter * math.Sqrt(1/float64(len(left))+1/float64(len(right)))
	return stepSize{b - a, math.Abs(b-a) / e}
}

func middle(beads []bead, value func(bead) float64) float64 {
	v := make([]float64, len(beads))
	for i, b := range beads {
		v[i] = value(b)
	}
	return median(v)
}

// spread is the standard deviation as the middle deviation tells it.
func spread(beads []bead, value func(bead) float64, around float64) float64 {
	return 1.4826 * middle(beads, func(b bead) float64 { return math.Abs(value(b) - around) })
}

// changes tries every place between two beads and keeps those that stand out most.
func changes(beads []bead, r rule, compare func(left, right []bead) (Change, float64)) []Change {
	type place struct {
		Change
		sure float64
	}
	var places []place
	for i := r.least; i+r.least <= len(beads); i++ {
		left, right := beads[max(0, i-r.most):i], beads[i:min(len(beads), i+r.most)]
		ch, sure := compare(left, right)
		if sure < r.sureTimes {
			continue
		}
		ch.AtS = seconds(beads[i].fromHop * hopFrames)
		places = append(places, place{ch, sure})
	}
	var out []Change
	for i, p := range places {
		best := true
		for k, q := range places {
			if math.Abs(p.AtS-q.AtS) < r.apartS && (q.sure > p.sure || q.sure == p.sure && k < i) {
				best = false
			}
		}
		if best {
			out = append(out, p.Change)
		}
	}
	return out
}
