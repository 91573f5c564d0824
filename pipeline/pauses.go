package pipeline

import (
	"math"
	"slices"

	"lectern/pipeline/speech"
)

// lead sets the gain through pause i: the phrase before keeps its gain for a
// moment, the phrase after has its own before its breath is drawn, and between
// them the room is led to the level aimed at.
func (l *leveling) lead(t *timeline, i int, aimDB float64) {
	p := t.pauses[i]
	before, after := l.neighbors(i)
	clean := t.cleanFrames(p)
	from, to := p.From, p.To
	if i > 0 {
		from += t.fading(clean, p.From, +1)
	}
	if i < len(t.pauses)-1 {
		to -= t.fading(clean, p.To-1, -1)
	}
	if from >= to {
		l.straight(p.From, p.To, before, after)
		return
	}
	l.hold(p.From, from, before)
	l.hold(to, p.To, after)
	if i < len(t.phrases) {
		breath := l.breathFrom(t, p)
		l.hold(max(from, breath), to, after)
		to = max(from, min(to, breath))
	}
	l.easeIn(i, len(t.pauses), from, to)
	if math.IsNaN(aimDB) || len(clean) < minToneFrames/2 {
		l.straight(from, to, before, after)
		return
	}
	low, high := min(before, after)-toneReachDB, max(before, after)+toneReachDB
	split, left, right := toneStep(t.power, clean)
	left, right = clamp(aimDB-left, low, high), clamp(aimDB-right, low, high)
	split = clampInt(split, from, to)
	move := min(ramp, (to-from)/3)
	into, out := move, move
	if i == 0 {
		into = 0
	}
	if i == len(t.pauses)-1 {
		out = 0
	}
	l.straight(from, from+into, before, left)
	l.hold(from+into, split, left)
	l.hold(split, to-out, right)
	l.straight(to-out, to, right, after)
}

// fading returns how many frames from frame k on, in steps of dir, still hold the
// end of a word: louder than twice the power of the room. A gain held longer than
// the word lets the room be heard behind it.
func (t *timeline) fading(clean []int, k, dir int) int {
	if len(clean) == 0 {
		return holdEdge
	}
	limit := 2 * math.Pow(10, toneDB(t.power, clean)/10)
	for n := 1; n < holdEdge; n++ {
		if float64(t.power[k+n*dir]) < limit {
			return n
		}
	}
	return holdEdge
}

// hold sets the gain of frames from to to.
func (l *leveling) hold(from, to int, db float64) {
	for k := from; k < to; k++ {
		l.gainDB[k] = float32(db)
	}
}

// straight moves the gain in a straight line of dB.
func (l *leveling) straight(from, to int, a, b float64) {
	for k := from; k < to; k++ {
		l.gainDB[k] = float32(a + (b-a)*float64(k-from+1)/float64(to-from+1))
	}
}

// easeIn marks the frames whose level may be eased down, with short moves at
// the words; head and tail are eased to their outer ends.
func (l *leveling) easeIn(i, pauses, from, to int) {
	const move = 8
	for k := from; k < to; k++ {
		share := 1.0
		if i > 0 {
			share = min(share, float64(k-from)/move)
		}
		if i < pauses-1 {
			share = min(share, float64(to-k)/move)
		}
		l.eased[k] = float32(share)
	}
}

// breathFrom returns the frame at which the breath before the next phrase
// starts, or the end of the pause if there is none.
func (l *leveling) breathFrom(t *timeline, p speech.Span) int {
	sounds := t.soundsIn(p)
	if len(sounds) == 0 {
		return p.To
	}
	last := sounds[len(sounds)-1]
	if last.Len() >= shortestBreath && p.To-last.To <= breathReach && last.From > p.From {
		return last.From
	}
	return p.To
}

// toneStep looks for a jump of the room among the clean frames of a pause and
// returns the frame where it is and the levels before and after it; without a
// jump both levels are the pause's.
func toneStep(power []float32, clean []int) (at int, leftDB, rightDB float64) {
	const side = 8 // frames that must lie on each side
	sums := make([]float64, len(clean)+1)
	for i, k := range clean {
		sums[i+1] = sums[i] + plainDB(power, k, k+1)
	}
	n := len(clean)
	split, most := 0, 0.0
	for k := side; k <= n-side; k++ {
		step := sums[k]/float64(k) - (sums[n]-sums[k])/float64(n-k)
		if between := step * step * float64(k) * float64(n-k); between > most {
			split, most = k, between
		}
	}
	if split > 0 {
		left, right := stillDB(power, clean[:split]), stillDB(power, clean[split:])
		if math.Abs(left-right) >= toneStepDB {
			return clean[split], left, right
		}
	}
	still := stillDB(power, clean)
	return clean[n/2], still, still
}

// stillDB is the power mean of the frames, those more than 6 dB over the lower quarter
// left out: rests of breaths that are too soft to be told from the room.
func stillDB(power []float32, frames []int) float64 {
	sorted := make([]float32, len(frames))
	for i, k := range frames {
		sorted[i] = power[k]
	}
	slices.Sort(sorted)
	limit := 4 * sorted[len(sorted)/4]
	return toneDB(power, slices.DeleteFunc(slices.Clone(frames), func(k int) bool { return power[k] > limit }))
}
