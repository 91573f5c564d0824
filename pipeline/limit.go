package pipeline

import (
	"math"

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
	// recent holds the last samples twice over, so that any run of taps is whole.
	recent [2 * meter.InterpolatorTaps]float32
	slot   int
	loud   float32 // a value may be over the ceiling only near a sample over this
	quiet  int     // samples since one was

	delay   [limiterDelay]float32
	at      int
	need    slidingMin
	gain    float64 // after release
	first   movingMean
	second  movingMean
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
		quiet: meter.InterpolatorTaps, gain: 1, deepest: 1, idle: idleAfter,
	}
	l.loud = float32(l.ceiling) / l.interpolator.GainMax()
	l.need.reach = holdSamples + limiterDelay
	l.first.fill(1)
	l.second.fill(1)
	return l
}

// apply replaces block by the limited samples of limiterDelay samples ago.
func (l *limiter) apply(block []float32) {
	for i, x := range block {
		late := l.delay[l.at]
		l.delay[l.at] = x
		if l.at++; l.at == limiterDelay {
			l.at = 0
		}
		block[i] = l.turnDown(late, l.needOf(x))
	}
}

// needOf takes the next sample. It returns the gain, at most 1, that is needed by the
// sample half a filter ago and by the sound between it and the one after it.
func (l *limiter) needOf(x float32) float64 {
	const taps = meter.InterpolatorTaps
	l.recent[l.slot], l.recent[l.slot+taps] = x, x
	if l.slot++; l.slot == taps {
		l.slot = 0
	}
	l.quiet++
	if max(x, -x) > l.loud {
		l.quiet = 0
	}
	if l.quiet >= taps {
		return 1
	}
	window := (*[taps]float32)(l.recent[l.slot:])
	middle := window[taps/2-1]
	return min(1, l.ceiling/float64(max(middle, -middle, l.interpolator.Largest(window))))
}

// turnDown takes the sample that goes out now and what one that came in later needs.
func (l *limiter) turnDown(late float32, need float64) float32 {
	if need < 1 {
		l.idle = 0
	}
	// Nothing to do for a while: every value still held is 1.
	if l.idle >= idleAfter && l.gain > 1-1e-7 {
		return late
	}
	l.idle++
	lowest := min(1, l.need.add(need))
	l.gain = min(lowest, l.gain+(1-l.gain)*releasePerSample)
	g := l.second.add(l.first.add(l.gain))
	if g > 1-1e-7 {
		return late
	}
	l.deepest = min(l.deepest, g)
	if g < 0.98855 { // -0.1 dB
		l.turned++
	}
	out := float64(late) * g
	return float32(max(-l.ceiling, min(l.ceiling, out)))
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

// movingMean is the mean of the last lookSamples values.
type movingMean struct {
	ring [lookSamples]float64
	at   int
	sum  float64
}

func (m *movingMean) fill(v float64) {
	for i := range m.ring {
		m.ring[i] = v
	}
	m.sum = v * lookSamples
}

func (m *movingMean) add(v float64) float64 {
	m.sum += v - m.ring[m.at]
	m.ring[m.at] = v
	if m.at++; m.at == lookSamples {
		m.at = 0
		// Starting afresh once a round keeps rounding from adding up.
		m.sum = 0
		for _, v := range m.ring {
			m.sum += v
		}
	}
	return m.sum / lookSamples
}
