package findings

import "math"

// Repeat is a block of sound that is repeated exactly, right behind itself: a
// buffer that got stuck.
type Repeat struct {
	AtS     float64 // where the block is first heard again
	LengthS float64 // of the block
	Times   int     // how often it is heard again
}

// The numbers below are our choice.
const (
	// repeatLeastS and repeatMostS are the shortest and the longest block: 64
	// samples at 48 kHz, as small as the buffers of recording devices get, and a second.
	repeatLeastS, repeatMostS = 0.0013, 1.0
	// repeatWindow is how many samples are compared at once by their hash: 24
	// samples that move are hardly ever the same twice by chance.
	repeatWindow = 24
	// anchorShift picks every fourth window, by its hash, to be remembered. The
	// shortest block holds some 30 windows: all of them are passed over once in 5,000.
	anchorShift = 62
	// anchorBits is the logarithm of how many windows are remembered. Those of a second
	// at 192 kHz are three times as many, but one of a long block is enough.
	anchorBits = 14
	// repeatPiece is how many samples are searched at once.
	repeatPiece = 64
	// repeatReach is how far back the start of a repetition is looked for from the
	// window that gave it away.
	repeatReach = 2048
	// repeatSteps is how far the block must go up and down, in steps of the file:
	// quiet noise drawn in coarse steps repeats itself by chance.
	repeatSteps = 12
	// repeatMoves is the share of samples that must differ from the one before.
	repeatMoves = 0.25
	// breakShare is how much the breakSamples before the block must differ from those
	// before its repetition, as a share of the power of both. A tone goes on as it was.
	breakShare, breakSamples = 0.1, 64
	// Where the block begins again, sound turns more sharply than inside it. If not,
	// it is a tone from toneTimes repetitions on; and a voice if it turns not half as
	// sharply and the block is shorter than voiceS and heard no more than voiceTimes
	// again: synthetic speech repeats its pulses exactly.
	toneTimes          = 8
	voiceS, voiceTimes = 0.025, 2
)

// repeatFinder finds exact repetitions of any length. Windows of the last second are
// remembered by their hash; where one comes again, the samples themselves are
// compared at that distance until they differ.
type repeatFinder struct {
	least, most int64
	voice       int64     // the longest pulse of a voice
	at          int64     // of the next sample
	ring        []float32 // the last samples, all channels in one
	hash        uint64    // of the last window
	leaving     uint64    // weight of the sample that leaves the window
	anchors     [1 << anchorBits]anchor
	step        float32 // the smallest difference of two samples so far

	lag   int64   // distance at which the sound repeats now, 0 if it does not
	from  int64   // the first sample that is as it was lag before
	stuck bool    // the block repeats wholly and is no tone or coarse noise
	seam  float64 // how sharply it turns where the block begins again, as a share of the most inside
	found []repeated
}

// anchor is a remembered window.
type anchor struct {
	hash uint32
	end  uint32 // low bits of the place behind it
}

type repeated struct {
	at, length int64
	times      int
}

// hashFactor is odd, its bits well mixed (2^64 divided by the golden ratio).
const hashFactor = 0x9E3779B97F4A7C15

func newRepeatFinder(rateHz int) *repeatFinder {
	f := &repeatFinder{
		least: int64(repeatLeastS * float64(rateHz)), most: int64(repeatMostS * float64(rateHz)),
		voice: int64(voiceS * float64(rateHz)), leaving: 1, step: 1,
	}
	f.least = max(f.least, repeatWindow)
	for range repeatWindow {
		f.leaving *= hashFactor
	}
	size := 1
	// What lies before the block is held against what lies before its repetition.
	for size < 2*int(f.most)+2*repeatReach {
		size *= 2
	}
	f.ring = make([]float32, size)
	return f
}

// add takes the next samples. Two channels are heard as one, so weighted that
// they cannot cancel.
func (f *repeatFinder) add(ch [][]float32) {
	var both [repeatPiece]float32
	for at := 0; at < len(ch[0]); at += repeatPiece {
		x := ch[0][at:min(len(ch[0]), at+repeatPiece)]
		if len(ch) > 1 {
			for i, v := range x {
				both[i] = v + ch[1][at+i]/2
			}
			x = both[:len(x)]
		}
		if f.lag == 0 && f.at >= repeatWindow {
			x = x[f.search(x):]
		}
		for _, v := range x {
			f.look(v)
		}
	}
}

// sample returns one that lies in the ring.
func (f *repeatFinder) sample(at int64) float32 { return f.ring[at&int64(len(f.ring)-1)] }

func mixed(v float32) uint64 { return uint64(math.Float32bits(v)) * hashFactor >> 32 }

func (f *repeatFinder) look(v float32) {
	if d := abs(v - f.sample(f.at-1)); d > 0 {
		f.step = min(f.step, d)
	}
	if f.lag > 0 && v != f.sample(f.at-f.lag) {
		f.end()
	}
	f.hash = f.hash*hashFactor + mixed(v) - f.leaving*mixed(f.sample(f.at-repeatWindow))
	f.ring[f.at&int64(len(f.ring)-1)] = v
	f.at++
	if f.lag > 0 && f.at-f.from == f.lag {
		f.stuck = f.isStuck()
	}
	if f.at < repeatWindow {
		return
	}
	if f.hash*hashFactor>>anchorShift == 0 {
		slot, low := f.slot(f.hash)
		if f.lag == 0 && slot.hash == low {
			f.begin(int64(uint32(f.at) - slot.end))
		}
		*slot = anchor{low, uint32(f.at)}
	}
}

// search does what look does while nothing repeats, a piece at once, and returns how many
// samples it took: all of them, or those up to where a repetition begins.
func (f *repeatFinder) search(x []float32) int {
	first, step := f.at, f.step
	for part := x; len(part) > 0; {
		n := copy(f.ring[f.at&int64(len(f.ring)-1):], part)
		f.at += int64(n)
		part = part[n:]
	}
	var (
		hashes  [repeatPiece]uint64
		picked  [repeatPiece]uint8 // the windows to be remembered
		picks   int
		h       = f.hash * hashFactor
		leaving = f.leaving
		ring    = f.ring
		oldest  = int(first) - repeatWindow
	)
	for i, v := range x {
		hash := h + mixed(v) - leaving*mixed(ring[(oldest+i)&(len(ring)-1)])
		h = hash * hashFactor
		hashes[i%repeatPiece], picked[picks%repeatPiece] = hash, uint8(i)
		picks += int((h>>anchorShift - 1) >> 63) // 1 if the shifted is 0
	}
	f.hash = hashes[len(x)-1]
	f.step = smallestStep(step, f.sample(first-1), x)
	for _, i := range picked[:picks] {
		end := first + int64(i) + 1
		slot, low := f.slot(hashes[i])
		if slot.hash == low {
			f.at = end
			if f.begin(int64(uint32(end) - slot.end)); f.lag > 0 {
				f.hash, f.step = hashes[i], smallestStep(step, f.sample(first-1), x[:i+1])
				*slot = anchor{low, uint32(end)}
				return int(i) + 1
			}
		}
		*slot = anchor{low, uint32(end)}
	}
	f.at = first + int64(len(x))
	return len(x)
}

// smallestStep is the smallest difference of two neighbors in x that differ, before the
// neighbor of the first, or step if that is smaller.
func smallestStep(step, before float32, x []float32) float32 {
	least := math.Float32bits(step) - 1 // one less, so that no difference at all is the largest
	for _, v := range x {
		least = min(least, magnitudeBits(v-before)-1)
		before = v
	}
	return math.Float32frombits(least + 1)
}

// slot is where a window of this hash is remembered, and what is remembered of the hash.
func (f *repeatFinder) slot(hash uint64) (*anchor, uint32) {
	h := hash * hashFactor
	return &f.anchors[h<<2>>(64-anchorBits)], uint32(h)
}

// begin follows a repetition at a distance, if the samples bear it out.
func (f *repeatFinder) begin(lag int64) {
	if lag < f.least || lag > f.most {
		return
	}
	from := f.at
	for from > f.at-repeatReach && from > lag && f.sample(from-1) == f.sample(from-1-lag) {
		from--
	}
	if f.at-from >= repeatWindow {
		f.lag, f.from, f.stuck = lag, from, false
	}
}

// isStuck judges the block that has just been repeated once.
func (f *repeatFinder) isStuck() bool {
	if f.from < f.lag+breakSamples {
		return false // nothing before it: a file that begins with a tone
	}
	var rough float64
	low, high, moves := f.sample(f.from), f.sample(f.from), 0
	for i := f.from; i < f.at; i++ {
		v, before := f.sample(i), f.sample(i-1)
		low, high = min(low, v), max(high, v)
		if v != before {
			moves++
		}
		if i > f.from+1 {
			rough = max(rough, f.bend(i))
		}
	}
	f.seam = max(f.bend(f.from), f.bend(f.from+1)) / (rough + 1e-12)
	var broken, both float64
	for i := f.from - breakSamples; i < f.from; i++ {
		a, b := float64(f.sample(i)), float64(f.sample(i-f.lag))
		broken += (a - b) * (a - b)
		both += a*a + b*b
	}
	return high-low >= repeatSteps*f.step &&
		float64(moves) >= repeatMoves*float64(f.lag) &&
		broken >= breakShare*both && both > 0
}

// bend is how sharply the sound turns at a sample.
func (f *repeatFinder) bend(at int64) float64 {
	return math.Abs(float64(f.sample(at)) - 2*float64(f.sample(at-1)) + float64(f.sample(at-2)))
}

// end keeps a repetition that is over.
func (f *repeatFinder) end() {
	times := int((f.at - f.from) / f.lag)
	tone := f.seam <= 1 && times >= toneTimes
	voice := f.seam <= 0.5 && times <= voiceTimes && f.lag < f.voice
	if f.stuck && !tone && !voice && len(f.found) < mostPlaces {
		f.found = append(f.found, repeated{f.from, f.lag, times})
	}
	f.lag, f.stuck = 0, false
}

func (f *repeatFinder) conclude() []repeated {
	if f.lag > 0 {
		f.end()
	}
	return f.found
}
