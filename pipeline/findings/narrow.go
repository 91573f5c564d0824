package findings

import (
	"math"

	"lectern/pipeline/fourier"
)

// The numbers below are our choice.
const (
	// bandSamples are one spectrum: 43 ms at 48 kHz, in steps of 23 Hz.
	bandSamples = 2048
	// bandsPerS is how many spectra a second are taken.
	bandsPerS = 5
	// bandClasses of classDB sort spectra by their level, so that the loud ones can be
	// told when all is over.
	bandClasses, classDB = 24, 3.0
	// loudShare is the share of the recording that counts as its loud part.
	loudShare = 0.3
	// leastBand is how many loud spectra are needed: two seconds of words.
	leastBand = 10
	// edgeLowHz and edgeHighHz are where an edge is looked for. What lies above 9 kHz
	// is hardly missed in a voice, and low rates of MP3 end from 10 kHz up.
	edgeLowHz, edgeHighHz = 2500.0, 9000.0
	// rateOverEdge is how much wider the rate must be for the edge to be odd.
	rateOverEdge = 2.5
	// edgeDB is how far the sound falls within half an octave. Voices fall by 12 dB or
	// less there, and what falls further in one sound comes back in another.
	edgeDB = 30.0
	// quarter and twelfth of an octave, as ratios.
	quarter, twelfth = 1.1892, 1.0595
	// endDB is how close to the emptiness above it the sound ends.
	endDB = 6.0
)

// bandMeter keeps the spectra of a recording by level.
type bandMeter struct {
	rateHz int
	fft    *fourier.Transform
	window []float64
	in     []float64
	n      int // samples of the next spectrum
	skip   int // samples until it starts
	count  [bandClasses]int
	sum    [bandClasses][]float64 // of the logarithm of each bin's power
}

func newBandMeter(rateHz int) *bandMeter {
	b := &bandMeter{
		rateHz: rateHz, fft: fourier.New(bandSamples), window: hann(bandSamples),
		in: make([]float64, bandSamples),
	}
	for i := range b.sum {
		b.sum[i] = make([]float64, bandSamples/2+1)
	}
	return b
}

// add takes the next samples. Two channels are heard as one, so weighted that
// they cannot cancel.
func (b *bandMeter) add(ch [][]float32) {
	for i := 0; i < len(ch[0]); {
		if b.skip > 0 {
			n := min(b.skip, len(ch[0])-i)
			b.skip -= n
			i += n
			continue
		}
		v := float64(ch[0][i])
		if len(ch) > 1 {
			v += float64(ch[1][i]) / 2
		}
		b.in[b.n] = v
		i++
		if b.n++; b.n == bandSamples {
			b.spectrum()
			b.n, b.skip = 0, max(0, b.rateHz/bandsPerS-bandSamples)
		}
	}
}

func (b *bandMeter) spectrum() {
	var power float64
	for i, v := range b.in {
		power += v * v
		b.in[i] = v * b.window[i]
	}
	class := int(-decibels(power/bandSamples) / classDB)
	if class >= bandClasses {
		return
	}
	class = max(0, class)
	b.count[class]++
	spectrum, sum := b.fft.Forward(b.in), b.sum[class]
	for i := range sum {
		sum[i] += math.Log10(fourier.Power(spectrum, i) + 1e-12)
	}
}

// loud is the spectrum of the loud part in dB, nil if there is too little.
func (b *bandMeter) loud() []float64 {
	total := 0
	for _, n := range b.count {
		total += n
	}
	db, n := make([]float64, bandSamples/2+1), 0
	for class, count := range b.count {
		if float64(n) >= loudShare*float64(total) && n >= leastBand {
			break
		}
		n += count
		for i, v := range b.sum[class] {
			db[i] += 10 * v
		}
	}
	if n < leastBand {
		return nil
	}
	for i := range db {
		db[i] /= float64(n)
	}
	return db
}

// conclude looks for the steepest fall that nothing comes back from.
func (b *bandMeter) conclude() float64 {
	db := b.loud()
	if db == nil {
		return 0
	}
	around := func(hz float64) float64 { return b.level(db, hz) }
	var fall, edgeHz float64
	for hz := edgeLowHz; hz <= min(edgeHighHz, float64(b.rateHz)/rateOverEdge/quarter); hz *= 1.01 {
		if f := around(hz/quarter) - b.highestFrom(db, hz*quarter); f > fall {
			fall, edgeHz = f, hz
		}
	}
	if fall < edgeDB {
		return 0
	}
	empty := around(edgeHz * quarter * quarter)
	hz := edgeHz / quarter
	for hz < edgeHz*quarter && around(hz) > empty+endDB {
		hz *= 1.01
	}
	return hz
}

// level is the mean of db in the sixth of an octave around hz.
func (b *bandMeter) level(db []float64, hz float64) float64 {
	perBin := float64(b.rateHz) / bandSamples
	var sum float64
	from, to := int(hz/twelfth/perBin), min(len(db), int(hz*twelfth/perBin)+1)
	for _, v := range db[from:to] {
		sum += v
	}
	return sum / float64(to-from)
}

// highestFrom is the highest level from hz up to where the filters of
// converters begin.
func (b *bandMeter) highestFrom(db []float64, hz float64) float64 {
	highest := math.Inf(-1)
	for ; hz < 0.45*float64(b.rateHz); hz *= twelfth {
		highest = max(highest, b.level(db, hz))
	}
	return highest
}
