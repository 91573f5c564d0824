package findings

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/window"

	"lectern/pipeline/fourier"
	"lectern/pipeline/meter"
	"lectern/pipeline/speech"
)

// Aim is what the finished file is made for, the measure of what disturbs.
type Aim struct {
	RMSDBFS      float64 // the reading is raised or lowered to it
	NoiseMaxDBFS float64 // the most the room may be
}

// Faults is what a Listener found. A nil pointer or an empty slice means that
// there is none. Times are seconds from the start of the stream.
type Faults struct {
	Hum         *Hum
	Rumble      *Rumble
	Bumps       []Bump
	LongPauses  []LongPause
	SoftSpeech  *SoftSpeech
	RoomChanges []Change
	ToneChanges []Change
	// Voice and Room are the color of both: see Color.
	Voice, Room Color
}

// The hop of all spectra, on the frame grid of the speech map.
const (
	hopFrames  = 10 // 0.1 s
	hopSamples = hopFrames * speech.FrameSamples
	hopsPerS   = speech.FramesPerSecond / hopFrames
)

// The octave spectra: one window of 93 ms in each hop.
const (
	octaveSamples = 4096
	octaveFrames  = 10 // that the window covers, rounded up
)

// OctaveHz are the centers of the octaves of a Color (IEC 61260: 1000 Hz times
// powers of two).
var OctaveHz = [...]float64{63, 125, 250, 500, 1000, 2000, 4000, 8000}

// octaves is a spectrum in octaves, in hundredths of a dB of full scale.
type octaves [len(OctaveHz)]int16

const silentDB = -200.0

// Listener hears a mono stream at 44.1 kHz, before any filter. Blocks may have
// any length; the answer does not depend on it.
type Listener struct {
	hold  []float32 // samples that a window still needs; hold[0] is sample base
	base  int
	total int

	octaves []octaves // one a hop
	fft     *fourier.Transform
	win, in []float64
	scale   float64
	edges   [len(OctaveHz)][2]int

	low   *lowSpectra
	peaks *highPeaks
}

// NewListener returns a Listener for one stream.
func NewListener() *Listener {
	l := &Listener{
		fft: fourier.New(octaveSamples), win: hann(octaveSamples),
		in:   make([]float64, octaveSamples),
		hold: make([]float32, 0, 4*octaveSamples),
		low:  newLowSpectra(), peaks: newHighPeaks(),
	}
	l.scale = powerScale(l.win)
	for i, hz := range OctaveHz {
		const bin = float64(speech.SampleRateHz) / octaveSamples
		l.edges[i] = [2]int{int(math.Round(hz / math.Sqrt2 / bin)), int(math.Round(hz * math.Sqrt2 / bin))}
	}
	return l
}

func hann(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 1
	}
	return window.Hann(w)
}

// powerScale turns the squared magnitudes of a windowed real transform, positive
// frequencies only, into mean squares.
func powerScale(win []float64) float64 {
	var energy float64
	for _, w := range win {
		energy += w * w
	}
	return 2 / (energy * float64(len(win)))
}

// Add hears the next samples.
func (l *Listener) Add(block []float32) {
	l.low.add(block)
	l.peaks.add(block)
	l.total += len(block)
	for len(block) > 0 {
		n := min(len(block), octaveSamples)
		l.hold = append(l.hold, block[:n]...)
		block = block[n:]
		for at := len(l.octaves)*hopSamples - l.base; at+octaveSamples <= len(l.hold); at += hopSamples {
			l.octaves = append(l.octaves, l.octavesOf(l.hold[at:at+octaveSamples]))
		}
		if done := len(l.octaves)*hopSamples - l.base; done > 0 {
			done = min(done, len(l.hold))
			l.base += done
			l.hold = l.hold[:copy(l.hold, l.hold[done:])]
		}
	}
}

func (l *Listener) octavesOf(x []float32) octaves {
	for i, v := range x {
		l.in[i] = float64(v) * l.win[i]
	}
	spectrum := l.fft.Forward(l.in)
	var o octaves
	for b, e := range l.edges {
		o[b] = int16(math.Round(100 * decibels(fourier.PowerSum(spectrum, e[0], e[1])*l.scale)))
	}
	return o
}

// decibels turns a mean square into dB, silentDB at the least.
func decibels(power float64) float64 {
	if power <= 0 {
		return silentDB
	}
	return max(silentDB, 10*math.Log10(power))
}

func powerOf(db float64) float64 { return math.Pow(10, db/10) }

// Conclude ends the stream. m is its map, of the stream with or without its
// rumble. voiceDBFS is the level of the reading if m holds none: of a room test.
func (l *Listener) Conclude(m *speech.Map, aim Aim, voiceDBFS float64) Faults {
	c := &conclusion{Listener: l, m: m, aim: aim, voiceDBFS: voiceDBFS}
	if reading := readingDBFS(m); reading > silentDB {
		c.voiceDBFS = reading
	}
	c.raise = aim.RMSDBFS - c.voiceDBFS
	c.findRoom()
	f := Faults{
		Hum: c.hum(), Bumps: c.bumps(), LongPauses: longPauses(m),
		RoomChanges: c.roomChanges(), ToneChanges: c.toneChanges(),
		Voice: c.voiceColor(), Room: c.roomColor(),
	}
	f.Rumble = c.rumble(f.Hum)
	f.SoftSpeech = c.softSpeech()
	return f
}

// conclusion is the work of Conclude.
type conclusion struct {
	*Listener
	m         *speech.Map
	aim       Aim
	voiceDBFS float64
	raise     float64 // dB from the stream to the finished file
	roomHops  []int   // hops that hold nothing but room
	words     []bool  // frames that are words, close to words, or digital silence
	noRoom    []bool  // these, and sounds
}

// edgeFrames beside the words belong to them: they still die away (design figure).
const edgeFrames = 5

// findRoom marks what is room and nothing else.
func (c *conclusion) findRoom() {
	n := c.m.Features.Len()
	c.words = make([]bool, n)
	for _, p := range c.m.Phrases {
		for i := max(0, p.From-edgeFrames); i < min(n, p.To+edgeFrames); i++ {
			c.words[i] = true
		}
	}
	for i, p := range c.m.Features.Power {
		if p == 0 {
			c.words[i] = true
		}
	}
	c.noRoom = slices.Clone(c.words)
	for _, s := range c.m.Sounds {
		for i := s.From; i < s.To; i++ {
			c.noRoom[i] = true
		}
	}
	for h := range c.octaves {
		if unmarked(c.noRoom, h*hopFrames, h*hopFrames+octaveFrames) {
			c.roomHops = append(c.roomHops, h)
		}
	}
}

// unmarked tells whether none of the frames from and to, not included, is marked.
func unmarked(marked []bool, from, to int) bool {
	if from < 0 || to > len(marked) {
		return false
	}
	return !slices.Contains(marked[from:to], true)
}

// readingDBFS is the mean level from the first word to the last, silentDB if
// there are no words.
func readingDBFS(m *speech.Map) float64 {
	if len(m.Phrases) == 0 {
		return silentDB
	}
	var sum float64
	from, to := m.Phrases[0].From, m.Phrases[len(m.Phrases)-1].To
	for _, p := range m.Features.Power[from:to] {
		sum += float64(p)
	}
	return max(silentDB, float64(meter.FromPower(sum/float64(to-from))))
}

// median returns the middle of values, which it sorts; 0 if there are none.
func median(values []float64) float64 { return quantile(values, 0.5) }

// quantile returns the q quantile by nearest rank of values, which it sorts.
func quantile(values []float64, q float64) float64 {
	if len(values) == 0 {
		return 0
	}
	slices.Sort(values)
	return values[int(math.Round(q*float64(len(values)-1)))]
}
