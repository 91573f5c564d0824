package findings

import "math"

// Change is a place from which on the room or the voice sounds another way.
type Change struct {
	AtS float64
	// DB is the change that stands out most: of the room's level, of one of its
	// octaves or of its balance; of the voice's brightness, warmth or one octave.
	DB float64
	// BrightnessDB is how much the octaves from 2 kHz up rose against those from
	// 250 Hz to 1 kHz.
	BrightnessDB float64
}

// A stream is cut into beads, each a few hops of nothing but room, or of voice.
// What is compared are the means of the beads before and behind a place; how
// surely they differ is told by the scatter from bead to bead over the whole
// stream, which a single step does not raise.
type bead struct {
	fromHop, toHop int
	octaves        Color
	voiceDB        float64 // level of the voice around it
	logs           Color   // of voice: the mean of its dB, where octaves is that of its power
}

// rule says how beads are compared.
type rule struct {
	hops        int // in a bead
	least, most int // beads on either side
	// sureTimes is how many standard errors a change must be. Neighboring beads are
	// alike, so that an error is larger than beads by chance would have it.
	sureTimes float64
	apartS    float64 // least time between two changes
}

// The numbers below are our choice.
var (
	// roomRule: half a second of room is one bead, 2 to 6 s are compared.
	roomRule = rule{hops: 5, least: 4, most: 12, sureTimes: 5, apartS: 45}
	// toneRule: 2.5 s of voice are one bead, 20 to 60 s are compared, so that a line
	// spoken in another voice is no change.
	toneRule = rule{hops: 25, least: 8, most: 24, sureTimes: 4.8, apartS: 60}
)

const (
	// roomChangeDB is the step in the room's level that is told, roomOctaveDB that of
	// two neighboring octaves, roomBalanceDB that of high against low. A step of 6 dB
	// in a steady sound is plain to anyone, 3 dB only to one who waits for it (common
	// practice, no source).
	roomChangeDB, roomOctaveDB, roomBalanceDB = 5.0, 6.0, 6.0
	// roomHeardDBFS is how loud the room is at least in the finished file, on its
	// louder side: 15 dB under the usual limit it is lost to the ear. A single octave
	// may be softer.
	roomHeardDBFS, octaveHeardDBFS = -75.0, -80.0
	// brightDB, warmDB and octaveDB are the changes of the voice that are told.
	brightDB, warmDB, octaveDB = 3.5, 3.5, 4.5
	// leastScatterDB keeps a very even stream from making a change out of little.
	leastScatterDB = 0.7
)

// measure is one way to look at a bead; a change of leastDB in it is told.
type measure struct {
	leastDB float64
	value   func(b bead) float64
}

// level is the power of all octaves from 125 Hz up, in dB.
func (c Color) level() float64 {
	var sum float64
	for _, o := range c[1:] {
		sum += powerOf(o)
	}
	return decibels(sum)
}

// high, middle and low are the mean of the octaves from 2 kHz up, of those from 250
// Hz to 1 kHz, and of 125 and 250 Hz.
func (c Color) high() float64   { return (c[5] + c[6] + c[7]) / 3 }
func (c Color) middle() float64 { return (c[2] + c[3] + c[4]) / 3 }
func (c Color) low() float64    { return (c[1] + c[2]) / 2 }

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

// roomChanges finds where the room gets another sound.
func (c *conclusion) roomChanges() []Change {
	var beads []bead
	for i := 0; i+roomRule.hops <= len(c.roomHops); i += roomRule.hops {
		hops := c.roomHops[i : i+roomRule.hops]
		beads = append(beads, bead{fromHop: hops[0], toHop: hops[len(hops)-1], octaves: c.medianOf(hops)})
	}
	c.addVoice(beads, c.voiceHops())
	measures := []measure{
		{roomChangeDB, func(b bead) float64 { return b.octaves.level() }},
		{roomBalanceDB, func(b bead) float64 { return b.octaves.high() - b.octaves.low() }},
	}
	for o := 2; o+1 < len(OctaveHz); o++ {
		// The smaller change of two neighbors is at least that of the softer sum.
		measures = append(measures, measure{roomOctaveDB, func(b bead) float64 { return (b.octaves[o] + b.octaves[o+1]) / 2 }})
	}
	return changes(beads, roomRule, measures, func(m int, left, right []bead, db float64) float64 {
		if m != 1 { // where the gain was turned, voice and room change alike
			gain := mean(right, voiceOf) - mean(left, voiceOf)
			if rel := db - gain; rel*db <= 0 {
				return 0
			} else if math.Abs(rel) < math.Abs(db) {
				db = rel
			}
		}
		heard := roomHeardDBFS
		if m > 1 {
			heard = octaveHeardDBFS
		}
		look := measures[m].value
		if m == 1 {
			look = measures[0].value
		}
		if max(mean(left, look), mean(right, look))+c.raise < heard {
			return 0
		}
		return db
	})
}

func voiceOf(b bead) float64 { return b.voiceDB }

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

// toneChanges finds where the voice gets another color.
func (c *conclusion) toneChanges() []Change {
	voice := c.voiceHops()
	var beads []bead
	for i := 0; i+toneRule.hops <= len(voice); i += toneRule.hops {
		hops := voice[i : i+toneRule.hops]
		beads = append(beads, bead{fromHop: hops[0], toHop: hops[len(hops)-1], octaves: c.relativeColor(hops), logs: c.meanOf(hops)})
	}
	// One reader's power scatters less, another's dB: each counts by its own scatter.
	var measures []measure
	for _, of := range []func(bead) Color{func(b bead) Color { return b.octaves }, func(b bead) Color { return b.logs }} {
		measures = append(measures,
			measure{brightDB, func(b bead) float64 { return of(b).high() - of(b).middle() }},
			measure{warmDB, func(b bead) float64 { return of(b).low() - (of(b)[3]+of(b)[4])/2 }})
	}
	for o := 1; o < len(OctaveHz); o++ {
		measures = append(measures, measure{octaveDB, func(b bead) float64 { return b.octaves[o] - b.octaves.others(o) }})
	}
	return changes(beads, toneRule, measures, func(_ int, _, _ []bead, db float64) float64 { return db })
}

func mean(beads []bead, value func(bead) float64) float64 {
	var sum float64
	for _, b := range beads {
		sum += value(b)
	}
	return sum / float64(len(beads))
}

// scatter is the standard deviation of one bead, from what neighbors differ by.
func scatter(beads []bead, value func(bead) float64) float64 {
	d := make([]float64, 0, len(beads))
	for i := 1; i < len(beads); i++ {
		d = append(d, math.Abs(value(beads[i])-value(beads[i-1])))
	}
	return max(leastScatterDB, 1.4826*median(d)/math.Sqrt2)
}

// changes tries every place between two beads and keeps those that stand out most.
// weigh corrects the change of measure m, or makes it 0.
func changes(beads []bead, r rule, measures []measure, weigh func(m int, left, right []bead, db float64) float64) []Change {
	type place struct {
		Change
		sure float64
	}
	var places []place
	for m, look := range measures {
		sd := scatter(beads, look.value)
		for i := r.least; i+r.least <= len(beads); i++ {
			left, right := beads[max(0, i-r.most):i], beads[i:min(len(beads), i+r.most)]
			db := weigh(m, left, right, mean(right, look.value)-mean(left, look.value))
			sure := math.Abs(db) / sd / math.Sqrt(1/float64(len(left))+1/float64(len(right)))
			if math.Abs(db) < look.leastDB || sure < r.sureTimes {
				continue
			}
			bright := func(b bead) float64 { return b.octaves.high() - b.octaves.middle() }
			at := seconds(beads[i].fromHop * hopFrames)
			places = append(places, place{Change{at, db, mean(right, bright) - mean(left, bright)}, sure})
		}
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
