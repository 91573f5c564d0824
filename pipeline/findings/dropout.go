package findings

import (
	"math"
	"slices"
)

// DropOut is a place where the sound breaks off in the middle, to silence or to a
// constant value, and comes back.
type DropOut struct{ FromS, UntilS float64 }

// The numbers below are our choice.
const (
	// dropS is the shortest: a gap of 1 ms in a vowel is a plain click.
	dropS = 0.001
	// dropMostS is the longest: more is a part left out, not a drop-out.
	dropMostS = 5.0
	// besideS is how much sound on either side is looked at: so little that a word
	// that fades, however fast, is already soft in it.
	besideS = 0.002
	// besideDB is how far under the recording's level the sound beside a drop-out
	// may lie. A word that ends by itself, and the gate behind it, is softer by then.
	besideDB = 20.0
	// overRoomDB is how far it must lie over the softest tenth of the recording.
	overRoomDB = 12.0
	// besideSteps is how many of the file's own steps the sound beside must reach: in
	// coarse steps (8 bit) soft sound stands still by nature.
	besideSteps = 8
	// besideTop is how close to the furthest sample beside it a constant value may
	// lie: one that nothing beside goes over is a clipped wave.
	besideTop = 0.995
	// A value that is held at a top for topMostS and more is a drop-out all the same,
	// unless as many as ceilingTops stop within topWidth of it: the tops of a clipped
	// wave all lie at its ceiling.
	topMostS, ceilingTops, topWidth = 0.004, 3, 0.01
)

// dropFinder finds runs of equal samples in one channel and how loud it is right
// before and behind them.
type dropFinder struct {
	rateHz   int
	at       int64 // of the next sample
	shortest int64
	beside   int       // samples
	ring     []float32 // the last samples, the oldest at ringAt
	ringAt   int
	last     float32
	step     float32 // the smallest difference of two samples so far

	run     int64 // equal samples up to now
	before  sideSound
	open    drop // whose other side is being listened to
	missing int  // samples of that side
	found   []drop

	levels  [levelBins]int // stretches of 10 ms, by their dB under full scale
	power   float64        // of the stretch that is open
	inPower int
	stretch int // samples of 10 ms
}

const levelBins = 100

// drop is a run of equal samples between sounds.
type drop struct {
	from, to      int64
	value         float32
	before, after sideSound
}

// sideSound is the sound beside a run.
type sideSound struct {
	square    float64 // sum of squares around the run's value
	low, high float32
}

func (s *sideSound) add(v, around float32) {
	d := float64(v - around)
	s.square += d * d
	s.low, s.high = min(s.low, v), max(s.high, v)
}

func newDropFinder(rateHz int) *dropFinder {
	f := &dropFinder{
		rateHz: rateHz, step: 1, stretch: rateHz / 100,
		shortest: int64(math.Ceil(dropS * float64(rateHz))),
		beside:   max(8, int(besideS*float64(rateHz))),
	}
	f.ring = make([]float32, f.beside+int(f.shortest)-1)
	return f
}

func (f *dropFinder) add(s stretch) {
	if f.missing == 0 && f.run+int64(len(s.x)) < f.shortest { // no run ends or gets long enough
		f.passOver(s)
		return
	}
	for _, v := range s.x {
		f.look(v)
	}
}

// passOver does what look does where no run matters.
func (f *dropFinder) passOver(s stretch) {
	n := len(s.x)
	last, run := s.x[n-1], 1
	for run < n && s.x[n-1-run] == last {
		run++
	}
	if run == n && f.last == last {
		run += int(f.run)
	}
	f.run, f.last = int64(run), last
	f.step = min(f.step, s.step)
	f.at += int64(n)
	if fit := copy(f.ring[f.ringAt:], s.x); fit < n {
		f.ringAt = copy(f.ring, s.x[fit:])
	} else if f.ringAt += n; f.ringAt == len(f.ring) {
		f.ringAt = 0
	}
}

func (f *dropFinder) look(v float32) {
	if d := abs(v - f.last); d > 0 {
		f.step = min(f.step, d)
		if f.run >= f.shortest {
			f.end()
		}
		f.run = 0
	}
	if f.run++; f.run == f.shortest {
		f.listenBefore(v)
	}
	if f.missing > 0 {
		f.open.after.add(v, f.open.value)
		if f.missing--; f.missing == 0 {
			f.keep(f.open)
		}
	}
	f.last = v
	f.ring[f.ringAt] = v
	if f.ringAt++; f.ringAt == len(f.ring) {
		f.ringAt = 0
	}
	f.at++
}

// measure sorts the stretches of 10 ms by their level.
func (f *dropFinder) measure(x []float32) {
	for len(x) > 0 {
		n := min(len(x), f.stretch-f.inPower)
		power := f.power
		for _, v := range x[:n] {
			power += float64(v) * float64(v)
		}
		f.power, x = power, x[n:]
		if f.inPower += n; f.inPower == f.stretch {
			f.levels[min(levelBins-1, int(-min(0, decibels(f.power/float64(f.inPower)))))]++
			f.power, f.inPower = 0, 0
		}
	}
}

// listenBefore takes the sound before a run of value that has just got long enough:
// the oldest part of the ring.
func (f *dropFinder) listenBefore(value float32) {
	f.before = sideSound{low: value, high: value}
	for i := range f.beside {
		f.before.add(f.ring[(f.ringAt+i)%len(f.ring)], value)
	}
}

// end begins to listen behind a run. One that the recording begins with is none.
func (f *dropFinder) end() {
	if f.missing > 0 || f.run >= f.at || f.run > int64(dropMostS*float64(f.rateHz)) {
		return
	}
	f.open = drop{f.at - f.run, f.at, f.last, f.before, sideSound{low: f.last, high: f.last}}
	f.missing = f.beside
}

// keep takes a run with sound on both sides. If there are too many, the one
// with the softest side goes.
func (f *dropFinder) keep(d drop) {
	if d.holdsTop() && d.to-d.from < int64(topMostS*float64(f.rateHz)) || d.softerSide() < besideSteps*f.step {
		return
	}
	if len(f.found) < mostPlaces {
		f.found = append(f.found, d)
		return
	}
	softest := 0
	for i := range f.found {
		if f.found[i].power() < f.found[softest].power() {
			softest = i
		}
	}
	if f.found[softest].power() < d.power() {
		f.found[softest] = d
	}
}

// holdsTop tells a flat top of a clipped wave: nothing beside it goes further.
func (d drop) holdsTop() bool {
	v, furthest := d.value, max(d.before.high, d.after.high)
	if v < 0 {
		v, furthest = -v, -min(d.before.low, d.after.low)
	}
	return v > 0 && v >= besideTop*furthest
}

// softerSide is how far the sound goes from the run's value on its softer side.
func (d drop) softerSide() float32 {
	reach := func(s sideSound) float32 { return max(s.high-d.value, d.value-s.low) }
	return min(reach(d.before), reach(d.after))
}

// power is that of the softer side, added up.
func (d drop) power() float64 { return min(d.before.square, d.after.square) }

func (f *dropFinder) conclude() []place {
	loud := f.loudEnough()
	var out []place
	for _, d := range f.found {
		if d.holdsTop() && f.topsAt(d.value) >= ceilingTops {
			continue
		}
		if d.power()/float64(f.beside) >= loud {
			out = append(out, place{from: d.from, to: d.to})
		}
	}
	slices.SortFunc(out, func(a, b place) int { return int(a.from - b.from) })
	return out
}

// topsAt counts the runs that are held at a top as far out as v.
func (f *dropFinder) topsAt(v float32) int {
	n := 0
	for _, d := range f.found {
		if d.holdsTop() && abs(abs(d.value)-abs(v)) <= topWidth*abs(v) {
			n++
		}
	}
	return n
}

// loudEnough is the power that sound beside a drop-out must have. Stretches of
// digital silence count for nothing.
func (f *dropFinder) loudEnough() float64 {
	var sum, n float64
	for db, count := range f.levels[:levelBins-1] {
		sum += float64(count) * powerOf(-float64(db)-0.5)
		n += float64(count)
	}
	room, under := float64(levelBins), 0.0
	for db := levelBins - 2; db >= 0 && under < n/10; db-- {
		under += float64(f.levels[db])
		room = float64(db)
	}
	return max(sum/max(1, n)*powerOf(-besideDB), powerOf(overRoomDB-room))
}
