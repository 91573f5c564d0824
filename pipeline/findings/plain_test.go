package findings

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"lectern/pipeline/internal/made"
)

// The finders pass over many samples at once. Here each looks at every sample by itself, by
// the rules as they are written down; after each block both must stand alike.

func plainAbs(v float32) float32 {
	if v < 0 {
		return -v
	}
	return v
}

func plainClips(c *clipFinder, x []float32) {
	for _, v := range x {
		if d := plainAbs(v - c.last); d > 0 {
			c.step = min(c.step, d)
			if c.run > 0 {
				c.endRun(v)
			}
			if plainAbs(v) >= clipLevel {
				c.run, c.runBefore = 1, c.last
			}
		} else if c.run > 0 {
			c.run++
		}
		if c.late.waits {
			if c.late.waits = false; v*c.late.sign <= c.late.under {
				c.late.side.meet(c, c.late.place)
			}
		}
		if plainAbs(v-c.flatLevel) <= max(flatTolerance, flatShare*plainAbs(v)) {
			c.flat++
		} else {
			if c.flat >= clipRun {
				c.endFlat(v)
			}
			c.flat, c.flatLevel, c.flatBefore = 1, v, [2]float32{c.last2, c.last}
		}
		side := &c.ceilings[0]
		if v < 0 {
			side = &c.ceilings[1]
		}
		if side.tops > 0 && plainAbs(v) > side.level*ceilingWidth {
			side.tops = 0
		}
		c.last2, c.last = c.last, v
		c.at++
	}
}

func plainDrops(f *dropFinder, x []float32) {
	for _, v := range x {
		if d := plainAbs(v - f.last); d > 0 {
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
		f.ringAt = (f.ringAt + 1) % len(f.ring)
		f.at++
	}
}

func plainRepeats(f *repeatFinder, x []float32) {
	for _, v := range x {
		if d := plainAbs(v - f.sample(f.at-1)); d > 0 {
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
			continue
		}
		if h := f.hash * hashFactor; h>>anchorShift == 0 {
			slot := &f.anchors[h<<2>>(64-anchorBits)]
			if f.lag == 0 && slot.hash == uint32(h) {
				f.begin(int64(uint32(f.at) - slot.end))
			}
			*slot = anchor{uint32(h), uint32(f.at)}
		}
	}
}

func plainSoft(f *softFinder, x []float32) {
	for _, v := range x {
		if n := len(f.wave); n > 0 && (v > 0) != (f.wave[n-1] > 0) {
			plainWave(f)
		}
		if len(f.wave) < cap(f.wave) {
			f.wave = append(f.wave, v)
		}
		f.at++
	}
}

func plainWave(f *softFinder) {
	x, side := f.wave, &f.signs[0]
	f.wave = f.wave[:0]
	if x[0] <= 0 {
		side = &f.signs[1]
	}
	var peak float32
	for _, v := range x {
		peak = max(peak, plainAbs(v))
	}
	if len(x) == cap(x) || peak < softLowest || peak < side.peak/4 {
		return
	}
	half := plainWidth(x, peak/2)
	if half < wideS*float64(f.rateHz) {
		return
	}
	side.peak = max(side.peak, peak)
	side.loud[softStep(peak)]++
	side.waves[side.n%len(side.waves)] = wave{f.at - int64(len(x)), f.at, peak, half, plainWidth(x, 0.9*peak) / half}
	side.n++
	reach := int64(besideTopS * float64(f.rateHz))
	for side.next < side.n && (side.waves[side.next%len(side.waves)].from+reach < f.at || side.n-side.next > len(side.waves)/2) {
		side.compare(side.next, reach)
		side.next++
	}
}

func plainWidth(x []float32, level float32) float64 {
	width, before := 0.0, -level
	for _, v := range x {
		now := plainAbs(v) - level
		switch {
		case now >= 0 && before >= 0:
			width++
		case now >= 0:
			width += float64(now / (now - before))
		case before >= 0:
			width += float64(before / (before - now))
		}
		before = now
	}
	return width
}

// manyKinds is sound that changes its kind every few milliseconds: what the finders look
// for, and what comes close to it.
func manyKinds(rng *rand.Rand, rateHz, n int) []float32 {
	var x []float32
	for len(x) < n {
		length, level := 1+rng.IntN(rateHz/50), float32(math.Pow(10, -3.5*rng.Float64()))
		period := 2 + float64(rateHz)*math.Pow(10, -1.5-2*rng.Float64())
		value := rng.Float32()*2 - 1
		from := len(x)
		for i := range length {
			x = append(x, level*float32(math.Sin(2*math.Pi*float64(i)/period))+level/50*float32(rng.NormFloat64()))
		}
		piece := x[from:]
		switch kind := rng.IntN(12); kind {
		case 0, 1: // flat tops, at full scale and below
			for i, v := range piece {
				piece[i] = max(-level*0.7, min(level*0.7, v))
				if kind == 0 {
					piece[i] = max(-1, min(1, piece[i]/level*3))
				}
			}
		case 2: // coarse steps
			for i, v := range piece {
				piece[i] = float32(math.Round(float64(v)*128)) / 128
			}
		case 3: // steps of 16 bits, soft
			for i, v := range piece {
				piece[i] = float32(math.Round(float64(v/level)*float64(1+rng.IntN(4)))) / 32768
			}
		case 4: // a value that is held
			for i := range piece {
				piece[i] = value
			}
		case 5:
			clear(piece)
		case 6: // what was heard before
			if from > 0 {
				lag := 1 + rng.IntN(min(from, length))
				for i := range piece {
					x[from+i] = x[from+i-lag]
				}
			}
		case 7: // numbers too small to be written in full, and zeros of either sign
			for i := range piece {
				piece[i] = math.Float32frombits(rng.Uint32N(4) | rng.Uint32N(2)<<31)
			}
		case 8: // far over full scale
			for i := range piece {
				piece[i] *= 1e3 / level
			}
		case 9: // one side only
			for i, v := range piece {
				piece[i] = plainAbs(v)
			}
		case 10: // a plateau that drifts by about the tolerance
			for i := range piece {
				piece[i] = value + float32(rng.IntN(5)-2)*flatTolerance/2
			}
		case 11: // flat tops in loud noise, some of which fall late
			for i := range piece {
				switch piece[i] = 0.4 * (rng.Float32()*2 - 1); {
				case i%40 > 35 && i%40 < 39:
					piece[i] = level
				case i%40 == 39:
					piece[i] = level - flatDrops*flatTolerance*rng.Float32()
				}
			}
		}
	}
	return x[:n]
}

func TestFindersAreThePlainRules(t *testing.T) {
	for _, rateHz := range []int{1234, 8000, 44100, 192000} {
		var kept [4]int
		for seed := range uint64(3) {
			rng := rand.New(rand.NewPCG(seed, uint64(rateHz)))
			x := manyKinds(rng, rateHz, 4*rateHz)
			if seed == 0 {
				x = spoilt()
			}
			var s stretcher
			clips, clipsPlain := newClipFinder(rateHz), newClipFinder(rateHz)
			drops, dropsPlain := newDropFinder(rateHz), newDropFinder(rateHz)
			repeats, repeatsPlain := newRepeatFinder(rateHz), newRepeatFinder(rateHz)
			soft, softPlain := newSoftFinder(rateHz), newSoftFinder(rateHz)
			idle, parts := 0, 0
			for at, block := 0, 0; at < len(x); block++ {
				n := min(1+rng.IntN(1<<rng.IntN(14)), len(x)-at)
				part := x[at : at+n]
				s.each(part, func(st stretch) {
					parts++
					if clips.isIdle(st) {
						idle++
					}
					clips.add(st)
					drops.add(st)
				})
				repeats.add([][]float32{part})
				soft.add(part)
				plainClips(clipsPlain, part)
				plainDrops(dropsPlain, part)
				plainRepeats(repeatsPlain, part)
				plainSoft(softPlain, part)
				at += n
				if block%50 > 0 && at < len(x) {
					continue
				}
				for _, pair := range [][2]any{{clips, clipsPlain}, {drops, dropsPlain}, {repeats, repeatsPlain}, {soft, softPlain}} {
					if !reflect.DeepEqual(pair[0], pair[1]) {
						t.Fatalf("%d Hz, seed %d: %T does not stand as the plain rules do behind sample %d", rateHz, seed, pair[0], at)
					}
				}
			}
			if idle == 0 || idle == parts {
				t.Errorf("%d Hz, seed %d: %d of %d stretches are passed over", rateHz, seed, idle, parts)
			}
			for i, n := range []int{len(clips.out), len(drops.found), len(repeats.found), soft.signs[0].n} {
				kept[i] += n
			}
		}
		if t.Logf("%d Hz: %d clips, %d drop-outs, %d repeats, %d waves", rateHz, kept[0], kept[1], kept[2], kept[3]); slices.Contains(kept[:], 0) {
			t.Errorf("%d Hz: not all was tried", rateHz)
		}
	}
}

// TestStuckIsJudgedByTheStepsSoFar tells whether a block repeats by how far it moves in
// the file's own steps, and a smaller step may come right behind it.
func TestStuckIsJudgedByTheStepsSoFar(t *testing.T) {
	stuck, smaller := 0, 0
	for seed := range uint64(400) {
		rng := rand.New(rand.NewPCG(seed, 5))
		x := make([]float32, 250)
		for i := range x {
			x[i] = float32(rng.IntN(repeatSteps+2)) / 64
		}
		lag := repeatWindow + 1 + rng.IntN(15)
		from := 110 + rng.IntN(60)
		for i := range lag + 2 {
			x[from+i] = x[from+i-lag]
		}
		for i := from + lag + 2; i < len(x); i++ {
			x[i] += rng.Float32() / 1000
		}
		got, want := newRepeatFinder(8000), newRepeatFinder(8000)
		got.add([][]float32{x})
		plainRepeats(want, x)
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("seed %d: found %v, by the plain rules %v", seed, got.found, want.found)
		}
		if len(want.found) > 0 {
			stuck++
		} else if want.step < 1.0/64 {
			smaller++
		}
	}
	if t.Logf("%d blocks are stuck, %d not", stuck, smaller); stuck == 0 || smaller == 0 {
		t.Error("not both were tried")
	}
}

// TestTwoChannelsAreMixedPlainly holds the repetitions of both channels against those of
// their sum.
func TestTwoChannelsAreMixedPlainly(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	left, right := manyKinds(rng, 8000, 40000), manyKinds(rng, 8000, 40000)
	got, want := newRepeatFinder(8000), newRepeatFinder(8000)
	got.add([][]float32{left, right})
	sum := make([]float32, len(left))
	for i := range sum {
		sum[i] = left[i] + right[i]/2
	}
	plainRepeats(want, sum)
	if !reflect.DeepEqual(got, want) {
		t.Error("two channels are not searched as their sum is")
	}
}

func TestAbs(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 3))
	for range 100000 {
		bits := rng.Uint32()
		if v := math.Float32frombits(bits); v == v && math.Float32bits(abs(v)) != math.Float32bits(max(v, -v)) {
			t.Fatalf("the magnitude of %g is %g", v, abs(v))
		}
	}
}

// BenchmarkFinders says what each finder takes for a second of made speech.
func BenchmarkFinders(b *testing.B) {
	x := spoken(3)
	var s stretcher
	clips, drops := newClipFinder(made.RateHz), newDropFinder(made.RateHz)
	soft, repeats := newSoftFinder(made.RateHz), newRepeatFinder(made.RateHz)
	band, low, peaks := newBandMeter(made.RateHz), newLowSpectra(), newHighPeaks()
	for _, step := range []struct {
		name string
		hear func(x []float32)
	}{
		{"stretches", func(x []float32) { s.each(x, func(stretch) {}) }},
		{"stretches and clips", func(x []float32) { s.each(x, clips.add) }},
		{"stretches and drop-outs", func(x []float32) { s.each(x, drops.add) }},
		{"soft tops", soft.add},
		{"repeats", func(x []float32) { repeats.add([][]float32{x}) }},
		{"band", func(x []float32) { band.add([][]float32{x}) }},
		{"low spectra", low.add},
		{"high peaks", peaks.add},
	} {
		b.Run(step.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				for at := 0; at < len(x); at += 8192 {
					step.hear(x[at:min(len(x), at+8192)])
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)*made.RateHz/float64(len(x)), "ns/s-of-sound")
		})
	}
}
