package pipeline

import (
	"cmp"
	"math"
	"slices"

	"lectern/config"
	"lectern/pipeline/speech"
)

// leveling is the gain of the whole reading before it is brought to its final
// loudness.
type leveling struct {
	// partDB is the gain of each part of a phrase, held from its first word to its
	// last; most phrases are one part. firstDB and lastDB are those of the first and
	// of the last part of each phrase.
	partDB          []float64
	firstDB, lastDB []float64
	// gainDB is the gain at the start of each frame, as in Plan.
	gainDB []float32
	// eased tells, from 0 to 1, how much of the easing of the pauses each frame gets.
	eased []float32
	// before and after are the spread of the phrases' levels.
	spreadBeforeDB, spreadAfterDB float64
}

// The leveler's numbers are our choice.
const (
	// softRangeDB is how much further under the reading's own level than over it phrases
	// are evened: of a shout the limiter takes a part as well.
	softRangeDB = 4.5
	// pullDB is how far from the others a phrase can lie and pull them harder.
	pullDB = 4.0
	// A reading whose phrases spread by no more than calmSpreadDB is even already
	// and is moved by no more than that; the range opens as the spread grows.
	calmSpreadDB = 1.5
	calmReachDB  = 1.2
	// outDB is how far a phrase must lie from the reading's level to stand out.
	outDB   = 3.0
	opening = 8.0
	// shortPhrase is the length under which a phrase leans on its neighbors: the
	// level of one word says little.
	shortPhrase = 50
	// holdEdge is how long a phrase's gain is held beyond its words at most, in frames:
	// words die away into the pause. It is what the figure for room tone trims too.
	holdEdge = edgeFrames
	// partRamp is half the move between two parts of a phrase, in frames.
	partRamp = 2
	// ramp is the longest move between two gains, in frames.
	ramp = 8
	// toneStepDB is the smallest jump of the room inside a pause that is followed,
	// as when a knob was turned there.
	toneStepDB = 3.0
	// toneReachDB is how far the gain of a pause may leave those of its neighbors.
	toneReachDB = 6.0
	// breathReach is how close before a phrase a breath must end to belong to it,
	// and shortestBreath how long it must be not to be a click, in frames.
	breathReach    = 30
	shortestBreath = 10
)

// level sets one gain for each phrase, as a careful hand would, and leads from
// one to the next within the pauses, aiming there at one level of room tone.
func level(t *timeline, s config.Level) *leveling {
	var all []part
	var own []int // phrase of each part
	for i, p := range t.phrases {
		for _, part := range parts(t, p) {
			all, own = append(all, part), append(own, i)
		}
	}
	levels := partLevels(t.power, all)
	spans := make([]speech.Span, len(all))
	for i, p := range all {
		spans[i] = p.Span
	}
	l := &leveling{
		partDB:         phraseGains(spans, levels, s),
		gainDB:         make([]float32, t.frames()+1),
		eased:          make([]float32, t.frames()+1),
		spreadBeforeDB: phraseSpreadDB(spans, levels),
	}
	after := make([]float64, len(levels))
	for i := range levels {
		after[i] = levels[i] + l.partDB[i]
	}
	l.spreadAfterDB = phraseSpreadDB(spans, after)
	for i, p := range all {
		l.hold(p.From, p.To+1, l.partDB[i])
		if i > 0 && own[i-1] == own[i] {
			l.straight(max(all[i-1].From, p.From-partRamp), min(p.To, p.From+partRamp), l.partDB[i-1], l.partDB[i])
		}
	}
	for i := range all {
		if i == 0 || own[i-1] != own[i] {
			l.firstDB = append(l.firstDB, l.partDB[i])
		}
		if i+1 == len(all) || own[i+1] != own[i] {
			l.lastDB = append(l.lastDB, l.partDB[i])
		}
	}
	aim := l.roomAimDB(t)
	for i := range t.pauses {
		l.lead(t, i, aim)
	}
	l.gainDB[t.frames()] = l.gainDB[t.frames()-1]
	l.eased[t.frames()] = l.eased[t.frames()-1]
	return l
}

// loudMarginDB is how far under the mean a frame still belongs to the loud part of
// a phrase (the margin of ITU-T P.56, 15.9 dB, rounded).
const loudMarginDB = 15.0

// phraseLevelDB is the plain RMS level of the loud part of a phrase, so that the
// dips between words do not count.
func phraseLevelDB(power []float32, p speech.Span) float64 {
	mean := meanPower(power, p)
	var sum float64
	var n int
	for _, v := range power[p.From:p.To] {
		if float64(v) >= mean*math.Pow(10, -loudMarginDB/10) {
			sum += float64(v)
			n++
		}
	}
	if n == 0 {
		return -200
	}
	return 10 * math.Log10(sum/float64(n))
}

// phraseSpreadDB is the standard deviation of the levels of phrases of 0.5 s or
// more (design figure), 0 for fewer than two.
func phraseSpreadDB(phrases []speech.Span, levels []float64) float64 {
	var n, sum, squares float64
	for i, p := range phrases {
		if p.Len() >= speech.FramesPerSecond/2 {
			n++
			sum += levels[i]
			squares += levels[i] * levels[i]
		}
	}
	if n < 2 {
		return 0
	}
	return math.Sqrt(max(0, squares/n-sum/n*sum/n))
}

// phraseGains returns the gain of each phrase in dB.
func phraseGains(phrases []speech.Span, levels []float64, s config.Level) []float64 {
	mean := readingLevelDB(phrases, levels)
	reach := calmReachDB + opening*max(0, phraseSpreadDB(phrases, levels)-calmSpreadDB)
	strength := s.StrengthPct / 100
	own := make([]float64, len(phrases))
	for i, l := range levels {
		away := l - mean
		// What lies beyond the range is meant: a whisper stays softer than a shout.
		gain := -strength * clamp(away, -s.RangeDB-softRangeDB, s.RangeDB)
		// What stands out in an even reading is evened all the same.
		may := reach + 2*max(0, math.Abs(away)-outDB)
		own[i] = min(max(gain, -min(s.CutMaxDB, may)), min(s.LiftMaxDB, may))
	}
	out := slices.Clone(own)
	for i, p := range phrases {
		if p.Len() >= shortPhrase || len(phrases) == 1 {
			continue
		}
		var sum, n float64
		for _, j := range []int{i - 1, i + 1} {
			if j >= 0 && j < len(phrases) {
				sum += own[j] * float64(phrases[j].Len())
				n += float64(phrases[j].Len())
			}
		}
		w := float64(p.Len()) / shortPhrase
		out[i] = w*own[i] + (1-w)*sum/n
	}
	return out
}

// readingLevelDB is the level of the reading as a whole: the mean of its phrases by
// their length, a phrase that stands out by more than outDB pulling no harder than
// that. In a short reading one shout would otherwise raise all the rest.
func readingLevelDB(phrases []speech.Span, levels []float64) float64 {
	low, high := slices.Min(levels), slices.Max(levels)
	for high-low > 0.01 {
		mid := (low + high) / 2
		var pull float64
		for i, p := range phrases {
			pull += math.Sqrt(float64(p.Len())) * clamp(levels[i]-mid, -pullDB, pullDB)
		}
		if pull > 0 {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// roomAimDB is the level all pauses are led to: the median of what they would
// have between their neighbors' gains, weighted by length.
func (l *leveling) roomAimDB(t *timeline) float64 {
	type pauseTone struct {
		db     float64
		frames int
	}
	var tones []pauseTone
	total := 0
	for i, p := range t.pauses {
		clean := t.cleanFrames(p)
		if len(clean) < minToneFrames/2 {
			continue
		}
		before, after := l.neighbors(i)
		tones = append(tones, pauseTone{stillDB(t.power, clean) + (before+after)/2, len(clean)})
		total += len(clean)
	}
	if len(tones) == 0 {
		return math.NaN()
	}
	slices.SortFunc(tones, func(a, b pauseTone) int { return cmp.Compare(a.db, b.db) })
	half := total / 2
	for _, p := range tones {
		if half -= p.frames; half < 0 {
			return p.db
		}
	}
	return tones[len(tones)-1].db
}

// neighbors returns the gains on either side of pause i; head and tail have but one.
func (l *leveling) neighbors(i int) (before, after float64) {
	n := len(l.firstDB)
	if i == 0 {
		return l.firstDB[0], l.firstDB[0]
	}
	return l.lastDB[i-1], append(l.firstDB, l.lastDB[n-1])[i]
}

// cleanFrames returns the frames of pause p in which only the room is heard.
func (t *timeline) cleanFrames(p speech.Span) []int {
	var out []int
	sounds := t.soundsIn(p)
	for k := p.From + edgeFrames; k < p.To-edgeFrames; k++ {
		for len(sounds) > 0 && sounds[0].To <= k {
			sounds = sounds[1:]
		}
		if (len(sounds) == 0 || k < sounds[0].From) && t.power[k] > 0 {
			out = append(out, k)
		}
	}
	return out
}

// soundsIn returns the sounds that lie in pause p.
func (t *timeline) soundsIn(p speech.Span) []speech.Span {
	from, _ := slices.BinarySearchFunc(t.sounds, p.From, func(s speech.Span, at int) int { return s.From - at })
	to, _ := slices.BinarySearchFunc(t.sounds, p.To, func(s speech.Span, at int) int { return s.From - at })
	return t.sounds[from:to]
}

// toneDB is the power mean of the given frames in dB.
func toneDB(power []float32, frames []int) float64 {
	var sum float64
	for _, k := range frames {
		sum += float64(power[k])
	}
	return 10 * math.Log10(max(sum/float64(len(frames)), 1e-20))
}

func clamp(v, low, high float64) float64 { return max(low, min(high, v)) }

func clampInt(v, low, high int) int { return max(low, min(high, v)) }
