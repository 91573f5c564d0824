package takes

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/speech"
)

// clicks are the sounds of one mouse button: press and release, each over at once.
func clicks(rng *rand.Rand, put func(float64, []float64, float64), atS, overDB, fallS, releaseS, releaseDB float64) {
	click := func(*rand.Rand, float64) []float64 { return made.Burst(rng, 2000, 8000, fallS) }
	put(atS, sharp(rng, click, 0, rng.IntN(2) == 0), overDB)
	put(atS+releaseS, sharp(rng, click, 0, rng.IntN(2) == 0), overDB-releaseDB)
}

// notMarks are sounds in pauses that mean nothing. Each returns how long it lasts.
var notMarks = []struct {
	name string
	lay  func(rng *rand.Rand, put func(float64, []float64, float64), clap func() []float64, over float64) float64
}{
	{"double-click of a mouse, with its releases", func(rng *rand.Rand, put func(float64, []float64, float64), _ func() []float64, over float64) float64 {
		gap, fall := 0.08+0.17*rng.Float64(), 0.001+0.005*rng.Float64()
		release := min(0.05+0.07*rng.Float64(), gap-0.025)
		for i := range 2 {
			clicks(rng, put, gap*float64(i), over+8, fall, release, 1+7*rng.Float64())
		}
		return gap + release
	}},
	{"double-click, its releases unheard", func(rng *rand.Rand, put func(float64, []float64, float64), _ func() []float64, over float64) float64 {
		gap, fall := 0.08+0.17*rng.Float64(), 0.001+0.003*rng.Float64()
		for i := range 2 {
			clicks(rng, put, gap*float64(i), over, fall, 0.05, 40)
		}
		return gap
	}},
	{"two clicks of 1 to 1.5 ms, farther apart", func(rng *rand.Rand, put func(float64, []float64, float64), _ func() []float64, over float64) float64 {
		gap, fall := 0.3+0.45*rng.Float64(), 0.001+0.0005*rng.Float64()
		for i := range 2 {
			put(gap*float64(i), made.Burst(rng, 2000, 8000, fall), over)
		}
		return gap
	}},
	{"one click of a mouse", func(rng *rand.Rand, put func(float64, []float64, float64), _ func() []float64, over float64) float64 {
		clicks(rng, put, 0, over, 0.003, 0.08, 5)
		return 0.08
	}},
	{"one sharp sound", func(_ *rand.Rand, put func(float64, []float64, float64), clap func() []float64, over float64) float64 {
		put(0, clap(), over)
		return 0
	}},
	{"two too close (0.06 to 0.13 s)", func(rng *rand.Rand, put func(float64, []float64, float64), clap func() []float64, over float64) float64 {
		gap := 0.06 + 0.07*rng.Float64()
		put(0, clap(), over)
		put(gap, clap(), over)
		return gap
	}},
	{"two too far apart (0.83 to 1.3 s)", func(rng *rand.Rand, put func(float64, []float64, float64), clap func() []float64, over float64) float64 {
		gap := 0.83 + 0.47*rng.Float64()
		put(0, clap(), over)
		put(gap, clap(), over)
		return gap
	}},
	{"two too long (falling in 0.1 to 0.25 s)", func(rng *rand.Rand, put func(float64, []float64, float64), _ func() []float64, over float64) float64 {
		gap := 0.3 + 0.5*rng.Float64()
		for i := range 2 {
			put(gap*float64(i), made.Burst(rng, 500, 5000, 0.1+0.15*rng.Float64()), over)
		}
		return gap + 0.2
	}},
	{"two thumps of a chair", func(rng *rand.Rand, put func(float64, []float64, float64), _ func() []float64, over float64) float64 {
		gap := 0.2 + 0.5*rng.Float64()
		for i := range 2 {
			put(gap*float64(i), made.Ring(0.04, 85+40*rng.Float64()), over)
		}
		return gap
	}},
	{"two far too unequal (15 dB)", func(rng *rand.Rand, put func(float64, []float64, float64), clap func() []float64, over float64) float64 {
		put(0, clap(), over)
		put(0.4, clap(), over+15)
		return 0.4
	}},
	{"two too soft (6 dB over the room)", func(rng *rand.Rand, put func(float64, []float64, float64), clap func() []float64, _ float64) float64 {
		put(0, clap(), 6)
		put(0.4, clap(), 6)
		return 0.4
	}},
	{"a dropped pencil", func(rng *rand.Rand, put func(float64, []float64, float64), _ func() []float64, over float64) float64 {
		at, gap, keeps := 0.0, 0.25+0.2*rng.Float64(), 0.55+0.25*rng.Float64()
		for ; gap > 0.03; gap *= keeps {
			put(at, made.Mixed(made.Ring(0.02, 1250, 2900), made.Burst(rng, 2000, 8000, 0.004), 3), over+12)
			over += 20 * math.Log10(keeps)
			at += gap
		}
		return at
	}},
	{"a clock", func(rng *rand.Rand, put func(float64, []float64, float64), _ func() []float64, over float64) float64 {
		for i := range 8 {
			put(0.5*float64(i), made.Burst(rng, 1500, 7000, 0.012), over)
		}
		return 3.5
	}},
	{"typing", func(rng *rand.Rand, put func(float64, []float64, float64), _ func() []float64, over float64) float64 {
		at := 0.0
		for range 9 {
			put(at, made.Burst(rng, 700, 6000, 0.012), over+6*rng.Float64())
			at += 0.08 + 0.12*rng.Float64()
		}
		return at
	}},
	{"a cough", func(rng *rand.Rand, put func(float64, []float64, float64), _ func() []float64, over float64) float64 {
		for i := range 2 {
			put(0.25*float64(i), made.Mixed(made.Burst(rng, 300, 3500, 0.09), made.Ring(0.09, 120, 240, 360), 6), over+10-5*float64(i))
		}
		return 0.45
	}},
	{"a smack of the lips and a breath", func(rng *rand.Rand, put func(float64, []float64, float64), _ func() []float64, over float64) float64 {
		put(0, made.Burst(rng, 1500, 6000, 0.006), over)
		breath := made.NewTape(rng.Uint64())
		breath.Breath(-20, 0.4)
		put(0.15, breath.Samples, over-3)
		return 0.55
	}},
}

// TestNoMarksAreInvented wants nothing taken for a mark that is none.
func TestNoMarksAreInvented(t *testing.T) {
	rooms := markRooms(t)
	var table marksTable
	for n := range tapes(1, 60) {
		rng := rand.New(rand.NewPCG(uint64(n), 47))
		room, level := rooms[n%len(rooms)], roomLevels[rng.IntN(len(roomLevels))]
		var says []string
		var events []event
		for k, not := range notMarks {
			over := []float64{12, 15, 20, 30, 40}[rng.IntN(5)]
			says = append(says, fmt.Sprintf("tape %d, %s at %g dBFS: %s, %g dB over", n, room.name, level, not.name, over))
			clap := func() []float64 {
				return sharp(rng, sharpKinds[(n+k)%len(sharpKinds)].make, 0.008+0.03*rng.Float64(), false)
			}
			events = append(events, func(put func(float64, []float64, float64)) float64 {
				return not.lay(rng, put, clap, over)
			})
		}
		m := newMarkTape(uint64(n), room, level, says, events)
		marks, _ := marksOf(m.Float32(), 4410)
		hit := make([]bool, len(events))
		for _, mark := range marks {
			from := float64(mark.Sounds.From) / speech.FramesPerSecond
			i := slices.IndexFunc(m.spans, func(s [2]float64) bool { return from > s[0]-0.1 && from < s[1]+0.1 })
			if i < 0 {
				t.Errorf("tape %d: a mark at %.2f s, where nothing was laid", n, from)
				continue
			}
			hit[i] = true
			t.Errorf("%s: taken for a mark, %.2f s from its beginning", says[i], from-m.spans[i][0])
		}
		for i, not := range notMarks {
			table.add(not.name, hit[i])
		}
	}
	table.print(t)
}
