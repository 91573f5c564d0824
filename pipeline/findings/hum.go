package findings

import "math"

// Hum is the sound of the mains: lines at multiples of 50 or 60 Hz that are
// there all the time.
type Hum struct {
	MainsHz     int       // 50 or 60
	LevelDBFS   float64   // of all its lines together, in the stream
	RaisedDBFS  float64   // the same in the finished file
	HarmonicsHz []float64 // the lines that stand clear, lowest first
	linesAt     []int     // their bins
}

// The numbers below are our choice.
const (
	// humLines is how many multiples are looked at, up to 600 or 720 Hz.
	humLines = 12
	// clearDB is how far a line stands over the noise beside it to be one: in the
	// middle of eight or more spectra noise alone stays under 6 dB.
	clearDB = 10.0
	// loneDB is the same for a line that has no other to bear it out.
	loneDB = 16.0
	// leastSpectra is how many spectra of nothing but room are needed.
	leastSpectra = 8
	// mainsDrift is how far the mains may be off, as a share (0.4 %: the limit of
	// the European grid's normal operation is 1 %, it is hardly ever 0.4; from memory).
	mainsDrift = 0.004
	// humDBFS is what is told of hum in the finished file: 6 dB under the usual
	// noise limit it takes a fourth of what the room may be.
	humDBFS = -66.0
	// humDBA is the same as the ear weighs it (IEC 61672 A-weighting): with the
	// reading at a usual 65 dB of sound it is some 13 dB, just heard in a quiet room.
	humDBA = -72.0
)

// hum looks for the family of lines that holds more power.
func (c *conclusion) hum() *Hum {
	spectrum := c.lowRoom()
	if spectrum == nil {
		return nil
	}
	var best *Hum
	for _, mains := range []int{50, 60} {
		h := family(spectrum, mains)
		if h == nil {
			continue
		}
		var weighted float64
		for i, hz := range h.HarmonicsHz {
			weighted += powerOf(lineDB(spectrum, h.linesAt[i]) + aWeightDB(hz))
		}
		h.RaisedDBFS = h.LevelDBFS + c.raise
		if h.RaisedDBFS < humDBFS && decibels(weighted)+c.raise < humDBA {
			continue
		}
		if best == nil || h.LevelDBFS > best.LevelDBFS {
			best = h
		}
	}
	return best
}

// lowRoom is the middle spectrum below 800 Hz over all that holds no words, in dB;
// nil if there is too little of it. The middle, not the mean: a breath, a click or a
// passing car is in some spectra, hum in all.
func (c *conclusion) lowRoom() []float64 {
	var at []int
	for i, hop := range c.low.keepAt {
		if unmarked(c.words, hop*hopFrames, hop*hopFrames+lowFrames) {
			at = append(at, i)
		}
	}
	if len(at) < leastSpectra {
		return nil
	}
	spectrum := make([]float64, lowBins)
	values := make([]float64, len(at))
	for b := range spectrum {
		for i, k := range at {
			values[i] = fromByte(c.low.keep[k][b])
		}
		spectrum[b] = median(values)
	}
	return spectrum
}

// family returns the lines of one mains frequency that stand clear, nil if they
// do not make a hum.
func family(spectrum []float64, mains int) *Hum {
	h := &Hum{MainsHz: mains}
	var power float64
	lone := false
	for k := 1; k <= humLines; k++ {
		at, over := line(spectrum, float64(k*mains))
		if over < clearDB {
			continue
		}
		lone = lone || over >= loneDB && k <= 2
		h.HarmonicsHz = append(h.HarmonicsHz, float64(k*mains))
		h.linesAt = append(h.linesAt, at)
		power += powerOf(lineDB(spectrum, at))
	}
	h.LevelDBFS = decibels(power)
	if len(h.linesAt) == 0 || len(h.linesAt) == 1 && !lone {
		return nil
	}
	return h
}

// line returns the highest bin where a line of the given frequency may be, and
// how far it stands over the noise beside it.
func line(spectrum []float64, hz float64) (at int, overDB float64) {
	off := max(1, int(math.Ceil(hz*mainsDrift/lowBinHz)))
	at = int(math.Round(hz / lowBinHz))
	center := at
	for b := center - off; b <= center+off && b < len(spectrum); b++ {
		if spectrum[b] > spectrum[at] {
			at = b
		}
	}
	// 9 to 22 Hz away on either side: beyond the window's own slope, short of the
	// family's next line.
	var beside []float64
	for d := 4; d <= 10; d++ {
		for _, b := range []int{at - d, at + d} {
			if b > 2 && b < len(spectrum) {
				beside = append(beside, spectrum[b])
			}
		}
	}
	return at, spectrum[at] - median(beside)
}

// lineDB is the level of the line at a bin: the window spreads it over three bins
// on either side, less than 1 % of it further.
func lineDB(spectrum []float64, at int) float64 {
	var sum float64
	for b := max(0, at-2); b <= min(len(spectrum)-1, at+2); b++ {
		sum += powerOf(spectrum[b])
	}
	return decibels(sum)
}

// aWeightDB is the A-weighting of IEC 61672-1 (its formula, from memory).
func aWeightDB(hz float64) float64 {
	f := hz * hz
	r := 12194 * 12194 * f * f / ((f + 20.6*20.6) * math.Sqrt((f+107.7*107.7)*(f+737.9*737.9)) * (f + 12194*12194))
	return 20*math.Log10(r) + 2.0
}
