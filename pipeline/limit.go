package pipeline

import (
	"math"
	"slices"

	"lectern/pipeline/meter"
)

// limiter holds samples under a ceiling, and what a player makes between them. It sees a peak before it comes, turns down ahead of it, holds, and
// lets go slowly, so that a steady tone is turned down steadily. The output is the
// input times a gain between 0 and 1; it comes limiterDelay samples late.
//
// For each sample the gain it needs is ceiling/|x|, at most 1, where x is it or the
// largest value between it and the next. The smallest need within the look-ahead and hold is let go with a time constant and
// then smoothed by two moving averages that together are as long as the look-ahead:
// every value averaged already knows the peak, so no output is over the ceiling.
// Between the samples that holds as far as the gain stands still over the few
// samples that a value there is made of.
type limiter struct {
	ceiling float64

	interpolator meter.Interpolator
	loud         float32 // a value may be over the ceiling only near a sample over this
	quiet        int     // samples since one was

	hold    []float32 // the last limiterDelay samples, and then the block
	needs   []float64 // of each sample of the block
	need    slidingMin
	gain    float64 // after release
	smooth  smoother
	idle    int     // samples since anything was over the ceiling
	deepest float64 // smallest gain used
	turned  int64   // samples turned down by more than 0.1 dB
}

const (
	// lookSamples is half the look-ahead: 2.5 ms. Long enough that turning down
	// makes no click, short enough not to dull the sound before a peak (our choice).
	lookSamples = 110
	// limiterDelay is the length of the two averages together, and half the filter
	// that finds what lies between samples.
	limiterDelay = 2*lookSamples - 2 + meter.InterpolatorTaps/2
	// holdSamples is 10 ms, the half wave of 50 Hz: within a low vowel the gain
	// must not follow the wave.
	holdSamples = 441
	// releasePerSample lets go with a time constant of 80 ms (our choice).
	releasePerSample = 1.0 / (0.080 * sampleRateHz)
	idleAfter        = holdSamples + 4*lookSamples
	// pointsPerSample is how finely the limiter looks between samples, as finely as
	// the meter.
	pointsPerSample = 8
)

func newLimiter(ceilingDBFS float64) *limiter {
	l := &limiter{
		ceiling: dbToAmplitude(ceilingDBFS), interpolator: meter.NewInterpolator(pointsPerSample),
		quiet: meter.InterpolatorTaps, hold: make([]float32, limiterDelay), gain: 1, deepest: 1, idle: idleAfter,
	}
	l.loud = float32(l.ceiling) / l.interpolator.GainMax()
	l.need.reach = holdSamples + limiterDelay
	l.smooth.fill(1)
	return l
}

// apply replaces block by the limited samples of limiterDelay samples ago.
func (l *limiter) apply(block []float32) {
	const taps = meter.InterpolatorTaps
	l.hold = append(l.hold, block...)
	l.needs = slices.Grow(l.needs[:0], len(block))
	for i, x := range block {
		l.quiet++
		if max(x, -x) > l.loud {
			l.quiet = 0
		}
		need := 1.0
		if l.quiet < taps {
			need = l.needOf((*[taps]float32)(l.hold[limiterDelay+i+1-taps:]))
		}
		l.needs = append(l.needs, need)
	}
	for late, needs := l.hold[:len(block)], l.needs; len(needs) > 0; {
		n := l.passOver(late, needs)
		if n > 0 {
			copy(block, late[:n])
		} else {
			n = l.turnDown(block, late, needs)
		}
		block, late, needs = block[n:], late[n:], needs[n:]
	}
	l.hold = l.hold[:copy(l.hold, l.hold[len(l.hold)-limiterDelay:])]
}

// needOf returns the gain, at most 1, that is needed by the sample in the middle of the
// last ones and by the sound between it and the one after it.
func (l *limiter) needOf(window *[meter.InterpolatorTaps]float32) float64 {
	const taps = meter.InterpolatorTaps
	middle := window[taps/2-1]
	return min(1, l.ceiling/float64(max(middle, -middle, l.interpolator.Largest(window))))
}

// passOver returns how many of the samples that go out now are left as they are, since every
// value still held is 1 and will be.
func (l *limiter) passOver(late []float32, needs []float64) int {
	if l.idle < idleAfter || l.gain <= full {
		return 0
	}
	for i, need := range needs {
		if need < 1 {
			return i
		}
	}
	return len(late)
}

// full is the gain that is taken for 1.
const full = 1 - 1e-7

// turnDown fills block with the samples that go out now, late, turned down for what the ones
// that came in later need, and returns how many it has done: up to the end of a round of the
// averages, or until there is nothing to do for a while.
func (l *limiter) turnDown(block, late []float32, needs []float64) int {
	m := &l.smooth
	n := min(len(needs), max(1, lookSamples-1-m.at))
	block, late, needs = block[:n], late[:n], needs[:n]
	gain, idle, deepest, turned, ceiling := l.gain, l.idle, l.deepest, l.turned, l.ceiling
	for i, need := range needs {
		if need < 1 {
			idle = 0
		} else if idle >= idleAfter && gain > full {
			n = i
			break
		}
		idle++
		gain = min(min(1, l.need.add(need)), gain+(1-gain)*releasePerSample)
		g := m.add(gain)
		if g > full {
			block[i] = late[i]
			continue
		}
		if g < deepest {
			deepest = g
		}
		if g < 0.98855 { // -0.1 dB
			turned++
		}
		out := float64(late[i]) * g
		if out > ceiling {
			out = ceiling
		} else if out < -ceiling {
			out = -ceiling
		}
		block[i] = float32(out)
	}
	l.gain, l.idle, l.deepest, l.turned = gain, idle, deepest, turned
	return n
}

// reductionDB returns the deepest gain used so far, as a positive number of dB.
func (l *limiter) reductionDB() float64 { return math.Abs(20 * math.Log10(l.deepest)) }

// slidingMin gives the smallest of the last `reach` values, in constant time a
// value on average: it keeps only those that can still become the smallest.
type slidingMin struct {
	reach int
	n     int
	queue []indexed // rising values, oldest first, from head on
	head  int
}

type indexed struct {
	value float64
	at    int
}

func (s *slidingMin) add(v float64) float64 {
	for len(s.queue) > s.head && s.queue[len(s.queue)-1].value >= v {
		s.queue = s.queue[:len(s.queue)-1]
	}
	s.queue = append(s.queue, indexed{v, s.n})
	if s.queue[s.head].at <= s.n-s.reach {
		s.head++
	}
	if s.head > s.reach {
		s.queue = s.queue[:copy(s.queue, s.queue[s.head:])]
		s.head = 0
	}
	s.n++
	return s.queue[s.head].value
}

// smoother is the mean of the last lookSamples values, and of that once more.
type smoother struct {
	once, twice       [lookSamples]float64 // the last values, and the last of their means
	at                int
	sumOnce, sumTwice float64
}

func (m *smoother) fill(v float64) {
	for i := range m.once {
		m.once[i], m.twice[i] = v, v
	}
	m.sumOnce, m.sumTwice = v*lookSamples, v*lookSamples
}

func (m *smoother) add(v float64) float64 {
	if m.at == lookSamples-1 {
		return m.addAfresh(v)
	}
	m.sumOnce += v - m.once[m.at]
	m.once[m.at] = v
	mean := m.sumOnce / lookSamples
	m.sumTwice += mean - m.twice[m.at]
	m.twice[m.at] = mean
	m.at++
	return m.sumTwice / lookSamples
}

// addAfresh is add for the last value of a round: starting afresh once a round keeps
// rounding from adding up.
func (m *smoother) addAfresh(v float64) float64 {
	const last = lookSamples - 1
	var once, twice float64
	for i, x := range m.once[:last] {
		once += x
		twice += m.twice[i]
	}
	once += v
	mean := once / lookSamples
	twice += mean
	m.once[last], m.twice[last] = v, mean
	m.sumOnce, m.sumTwice, m.at = once, twice, 0
	return twice / lookSamples
}
