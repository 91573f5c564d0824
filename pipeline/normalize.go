package pipeline

import (
	"math"
	"slices"

	"lectern/config"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// loudness is the last decision of the plan: how much the whole reading is
// raised, where the limiter stands, how far the pauses are eased.
type loudness struct {
	byLoudness  bool // aims are loudness and true peak, not RMS and sample peak
	overallDB   float64
	ceilingDBFS float64
	easeDB      float64
	// gaveWay lists what could not be had together, and by how much.
	gaveWay []report.GaveWay
	// Predicted for the finished file.
	roomDBFS, floorDBFS float64
	// slope is how much one more dB of overall gain brings of the level aimed at.
	slope float64
}

// plan puts all decisions together.
func (o *loudness) plan(t *timeline, l *leveling) Plan {
	return Plan{
		Segments: t.segments, GainDB: o.apply(l),
		OverallDB: o.overallDB, CeilingDBFS: o.ceilingDBFS,
	}
}

const (
	// decoderHairDB keeps the peak this far under the limit: a decoder that scales
	// by 32767 and one that scales by 32768 differ by it, and neither may read over.
	decoderHairDB = 0.03
	// denserDB, softerDB and shorterDB are how far the RMS may leave its aim: at an
	// aim of -20 a dense reading is raised to -19, one with high peaks lowered to
	// -22, a short one raised until the whole file has -22.5.
	denserDB  = 1.0
	softerDB  = -2.0
	shorterDB = -2.5
)

// normalize finds the overall gain at which the reading has the level aimed at,
// with its peaks limited to the ceiling, and the ways to give if both cannot be had.
// The level is the RMS of the part between head and tail or, where delivery is by
// loudness, the integrated loudness of the whole file; weighted holds each frame's
// power as loudness weighs it then, and is else nil. It works on the frames' powers
// and peaks, so it costs nothing; render tells the exact result.
func normalize(t *timeline, l *leveling, weighted []float64, d config.Delivery, s config.Level) loudness {
	p := &prediction{t: t, weighted: weighted, gain: make([]float64, t.frames())}
	for i := range p.gain {
		p.gain[i] = dbToAmplitude((float64(l.gainDB[i]) + float64(l.gainDB[i+1])) / 2)
	}
	out := loudness{byLoudness: d.ByLoudness(), ceilingDBFS: d.PeakMaxDBFS - decoderHairDB}
	level := p.bodyRMS
	if out.byLoudness {
		out.ceilingDBFS, level = d.TruePeakMaxDBTP-decoderHairDB, p.integrated
	}
	p.ceiling = dbToAmplitude(out.ceilingDBFS)
	if out.byLoudness {
		out.lower(p, d, s)
	} else {
		out.overallDB = p.overallFor(d.RMSAimDBFS, p.bodyRMS)
		out.giveWay(p, d, s)
	}
	out.ease(p, l, d, s)
	out.slope = slope(level, out.overallDB)
	return out
}

// lower finds the overall gain for a delivery by loudness. There the peak is only a
// limit and need not be reached, and pauses count for little, so there is but one way
// to give: a reading that would need more limiting than allowed is lowered.
func (o *loudness) lower(p *prediction, d config.Delivery, s config.Level) {
	aim := d.LoudnessAimLUFS
	o.overallDB = p.overallFor(aim, p.integrated)
	most := o.ceilingDBFS + s.LimitMaxDB - 20*math.Log10(p.peak())
	if o.overallDB <= most {
		return
	}
	aimed := o.overallDB
	o.overallDB = max(most, p.overallFor(aim+softerDB, p.integrated))
	if aimed-o.overallDB > 0.05 {
		o.gaveWay = append(o.gaveWay, report.GaveWay{GaveWay: "loudness", DB: report.Figure(p.integrated(o.overallDB) - aim)})
	}
}

// giveWay applies the three permitted ways to leave the aims.
func (o *loudness) giveWay(p *prediction, d config.Delivery, s config.Level) {
	loudest := 20 * math.Log10(p.peak())
	over := func() float64 { return loudest + o.overallDB - o.ceilingDBFS }
	aimed := o.overallDB
	switch {
	case over() < -0.05:
		// (a) dense: its peaks stay low at the RMS aimed at.
		o.overallDB = min(o.ceilingDBFS-loudest, p.overallFor(d.RMSAimDBFS+denserDB, p.bodyRMS))
	case over() > s.LimitMaxDB:
		// (b) a few high peaks: more limiting than allowed.
		o.overallDB = max(o.ceilingDBFS+s.LimitMaxDB-loudest, p.overallFor(d.RMSAimDBFS+softerDB, p.bodyRMS))
	}
	// (c) so short that head and tail pull the RMS of the whole file down. A single
	// word could not be raised that far, so this ends where the reading alone would
	// be too loud.
	short := min(p.overallFor(d.RMSAimDBFS+shorterDB, p.fileRMS), p.overallFor(d.RMSMaxDBFS, p.bodyRMS))
	o.overallDB = max(o.overallDB, short)
	if moved := o.overallDB - aimed; math.Abs(moved) > 0.05 {
		o.gaveWay = append(o.gaveWay, report.GaveWay{GaveWay: "rms", DB: report.Figure(p.bodyRMS(o.overallDB) - d.RMSAimDBFS)})
	}
	if low := over(); low < -0.05 {
		o.gaveWay = append(o.gaveWay, report.GaveWay{GaveWay: "peak", DB: report.Figure(low)})
	}
}

// spareDB is kept between the room and its limit once the pauses are eased.
const spareDB = 1.0

// ease finds how far the pauses must be eased down so that noise floor and room
// tone keep their limit with 1 dB to spare, at most s.EaseMaxDB.
func (o *loudness) ease(p *prediction, l *leveling, d config.Delivery, s config.Level) {
	const hairDB = 0.3 // what the frames of a plan and of a finished file differ by
	over := func(easeDB, limit float64) bool {
		o.roomDBFS, o.floorDBFS = p.room(l, o.overallDB, easeDB)
		return o.roomDBFS > limit || o.floorDBFS > limit
	}
	if !over(0, d.NoiseMaxDBFS-hairDB) {
		return
	}
	misses := func(easeDB float64) bool { return over(easeDB, d.NoiseMaxDBFS-spareDB) }
	o.easeDB = s.EaseMaxDB
	if misses(o.easeDB) {
		return
	}
	low, high := 0.0, s.EaseMaxDB
	for high-low > 0.05 {
		if mid := (low + high) / 2; misses(mid) {
			low = mid
		} else {
			high = mid
		}
	}
	o.easeDB = high
	misses(high)
}

// apply adds the easing to the gain of the reading.
func (o *loudness) apply(l *leveling) []float32 {
	out := slices.Clone(l.gainDB)
	for i, e := range l.eased {
		out[i] -= float32(o.easeDB) * e
	}
	return out
}

// prediction knows what a gain makes of the frames.
type prediction struct {
	t        *timeline
	gain     []float64 // amplitude
	weighted []float64 // power as loudness weighs it, before any gain
	ceiling  float64   // amplitude
}

// peak is the largest sample of the reading before the overall gain.
func (p *prediction) peak() float64 {
	var peak float64
	for i, g := range p.gain {
		peak = max(peak, float64(p.t.peak[i])*g)
	}
	return peak
}

// bodyRMS is the plain RMS between head and tail in dBFS at an overall gain,
// limiting included; fileRMS that of the whole file.
func (p *prediction) bodyRMS(overallDB float64) float64 {
	b := p.t.body()
	return p.rms(b.From, b.To, overallDB)
}

func (p *prediction) fileRMS(overallDB float64) float64 { return p.rms(0, p.t.frames(), overallDB) }

func (p *prediction) rms(from, to int, overallDB float64) float64 {
	var sum float64
	p.turned(from, to, overallDB, func(i int, g float64) { sum += float64(p.t.power[i]) * g * g })
	return 10 * math.Log10(max(sum/float64(to-from), 1e-20))
}

// loudnessBlock is 0.4 s, the block of ITU-R BS.1770. A shorter file has no loudness.
const loudnessBlock = 40

// integrated is the integrated loudness of the whole file in LUFS at an overall gain,
// limiting included. Where there is none, RMS stands for it.
func (p *prediction) integrated(overallDB float64) float64 {
	n := p.t.frames()
	if n < loudnessBlock {
		return p.bodyRMS(overallDB)
	}
	hops := make([]float64, n)
	p.turned(0, n, overallDB, func(i int, g float64) { hops[i] = p.weighted[i] * g * g })
	return max(float64(meter.IntegratedOf(hops)), -200)
}

// turned tells the gain of each frame, the limiter's included. It models the limiter
// by frames: one whose peak is over the ceiling is turned down by what its peak
// needs, and so is the one before it, half; after it the limiter lets go at its own
// pace.
func (p *prediction) turned(from, to int, overallDB float64, tell func(i int, gain float64)) {
	k := dbToAmplitude(overallDB)
	down := func(i int) float64 { // 0 to 1
		if i >= to {
			return 0
		}
		if peak := float64(p.t.peak[i]) * p.gain[i] * k; peak > p.ceiling {
			return 1 - p.ceiling/peak
		}
		return 0
	}
	letGo := math.Exp(-frameSamples * releasePerSample)
	var held float64
	for i := from; i < to; i++ {
		held = max(down(i), held*letGo)
		tell(i, p.gain[i]*k*(1-max(held, down(i+1)/2)))
	}
}

// slope is by how many dB a level grows for one dB of overall gain: 1 without
// limiting, less with it.
func slope(level func(overallDB float64) float64, overallDB float64) float64 {
	return clamp(level(overallDB+0.5)-level(overallDB-0.5), 0.2, 1)
}

// overallFor returns the overall gain at which level reaches what is wanted. It
// grows with the gain, ever more slowly as the limiter works; the search ends at 80 dB
// of gain, which no reading needs.
func (p *prediction) overallFor(want float64, level func(float64) float64) float64 {
	low, high := -80.0, 80.0
	for high-low > 0.002 {
		if mid := (low + high) / 2; level(mid) < want {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// room predicts the room tone and the noise floor of the finished file.
func (p *prediction) room(l *leveling, overallDB, easeDB float64) (roomDBFS, floorDBFS float64) {
	power := make([]float32, p.t.frames())
	for _, span := range p.t.pauses {
		for i := span.From; i < span.To; i++ {
			g := p.gain[i] * dbToAmplitude(overallDB-easeDB*float64(l.eased[i]+l.eased[i+1])/2)
			power[i] = p.t.power[i] * float32(g*g)
		}
	}
	room := roomTonePower(power, p.t.pauses, notRoom(len(power), p.t.sounds, p.t.laidIn))
	floor := noiseFloorPower(power, p.t.pauses)
	return 10 * math.Log10(max(room, 1e-20)), 10 * math.Log10(max(floor, 1e-20))
}
