package meter

import "math"

// Constants of ITU-T P.56 method B, as the reference program in the ITU-T
// Software Tool Library (G.191, sv-p56.c) has them.
const (
	p56SmoothS    = 0.03 // time constant of each of the two smoothers
	p56HangoverS  = 0.2  // speech is held to go on for so long
	p56MarginDB   = 15.9 // from the active level down to the threshold
	p56Thresholds = 15   // 2^-15 to 2^-1, one bit apart
)

// ActiveSpeech measures the level of the speech alone, its longer pauses left
// out, and the share of the time it takes: ITU-T P.56 method B. The method
// assumes little noise; in a noisy room the share reads high.
type ActiveSpeech struct {
	smooth       float64 // the smoothers' coefficient
	first, env   float64 // the smoothers' states
	hangover     int64   // frames
	sum          float64 // of squares
	frames       int64
	reached      int     // how many thresholds the envelope is not below
	below, above float64 // the envelope leaves reached as it falls below, or reaches above

	thresholds [p56Thresholds]float64
	active     [p56Thresholds]int64 // frames active so far, up to changed
	changed    [p56Thresholds]int64 // when the envelope last crossed the threshold
}

// NewActiveSpeech returns a meter for one channel at sampleRateHz.
func NewActiveSpeech(sampleRateHz int) *ActiveSpeech {
	m := &ActiveSpeech{
		smooth:   math.Exp(-1 / (float64(sampleRateHz) * p56SmoothS)),
		hangover: int64(math.Floor(p56HangoverS*float64(sampleRateHz) + 0.5)),
	}
	for j := range m.thresholds {
		m.thresholds[j] = math.Ldexp(1, j-p56Thresholds)
		// The hangover begins spent: it lies before the first frame, and the
		// frames it will be counted for are taken off here.
		m.changed[j] = -m.hangover
		m.active[j] = -m.hangover
	}
	m.enter(0)
	return m
}

// Add takes the next samples.
func (m *ActiveSpeech) Add(x []float32) {
	// An envelope so far below the lowest threshold no longer matters, but would
	// shrink into numbers a processor handles a hundred times slower.
	const dead = 1e-30
	first, env, sum, g := m.first, m.env, m.sum, m.smooth
	for i, v := range x {
		level := math.Abs(float64(v))
		sum += level * level
		first = g*first + (1-g)*level
		if first < dead {
			first = 0
		}
		env = g*env + (1-g)*first
		if env < dead {
			env = 0
		}
		if env < m.below || env >= m.above {
			m.cross(env, m.frames+int64(i))
		}
	}
	m.first, m.env, m.sum = first, env, sum
	m.frames += int64(len(x))
}

// cross notes at frame now which thresholds the envelope has passed.
func (m *ActiveSpeech) cross(env float64, now int64) {
	reached := m.reached
	for reached < p56Thresholds && env >= m.thresholds[reached] {
		m.active[reached] += min(now-m.changed[reached], m.hangover)
		m.changed[reached] = now
		reached++
	}
	for reached > 0 && env < m.thresholds[reached-1] {
		reached--
		m.active[reached] += now - m.changed[reached]
		m.changed[reached] = now
	}
	m.enter(reached)
}

func (m *ActiveSpeech) enter(reached int) {
	m.reached = reached
	m.below, m.above = 0, math.Inf(1)
	if reached > 0 {
		m.below = m.thresholds[reached-1]
	}
	if reached < p56Thresholds {
		m.above = m.thresholds[reached]
	}
}

// activeFrames counts the frames active at threshold j, up to now.
func (m *ActiveSpeech) activeFrames(j int) int64 {
	since := m.frames - m.changed[j]
	if j >= m.reached {
		since = min(since, m.hangover)
	}
	return m.active[j] + since
}

// Level is the active speech level in dBov (a full-scale square wave is 0). It
// is Silent where the method finds no speech: in silence, in sound below about
// -74 dBov, or in a lone click.
//
// It is the level A for which the threshold lies 15.9 dB below, interpolated
// between the two thresholds on either side.
func (m *ActiveSpeech) Level() DB {
	var levelBefore, marginBefore float64
	for j, threshold := range m.thresholds {
		active := m.activeFrames(j)
		if active <= 0 {
			return Silent
		}
		level := 10 * math.Log10(m.sum/float64(active))
		margin := level - 20*math.Log10(threshold)
		if margin <= p56MarginDB {
			if j == 0 {
				return Silent
			}
			t := (marginBefore - p56MarginDB) / (marginBefore - margin)
			return DB(levelBefore + t*(level-levelBefore))
		}
		levelBefore, marginBefore = level, margin
	}
	return Silent
}

// SharePct is how much of the time is speech, in percent; 0 if Level is Silent.
func (m *ActiveSpeech) SharePct() float64 {
	level := m.Level()
	if level.IsSilent() {
		return 0
	}
	return 100 * m.sum / float64(m.frames) / level.Power()
}
