package findings

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/speech"
)

var usualAim = Aim{RMSDBFS: -20, NoiseMaxDBFS: -60}

// reading is a minute of made speech in a room, with a knock in a pause.
func reading(seed uint64) *made.Tape {
	tape := made.NewTape(seed)
	tape.Pause(1.5)
	for i := range 18 {
		tape.Phrase(-22, 1.5+0.4*float64(i%4), []made.Consonant{made.S, made.None, made.F}[i%3], made.None)
		tape.Pause(0.7 + 0.2*float64(i%3))
	}
	tape.Pause(1)
	tape.Room(-66)
	return tape
}

// heard listens to x in blocks of the given size, 0 for random ones.
func heard(x []float32, block int) Faults {
	rng := rand.New(rand.NewPCG(5, 5))
	l, a := NewListener(), speech.NewAnalyzer()
	for len(x) > 0 {
		n := block
		if n == 0 {
			n = 1 + rng.IntN(20000)
		}
		n = min(n, len(x))
		l.Add(x[:n])
		a.Add(x[:n])
		x = x[n:]
	}
	return l.Conclude(speech.Draw(a.Features()), usualAim, -26)
}

// The answer does not hang on how the stream is cut into blocks.
func TestListenerBlocks(t *testing.T) {
	tape := reading(3)
	tape.Knock(0.6, -20, 3000, 0.002)
	x := tape.Float32()
	for i := range x {
		x[i] += float32(0.002 * math.Sin(2*math.Pi*100*float64(i)/speech.SampleRateHz))
	}
	want := heard(x, len(x))
	if want.Hum == nil || len(want.Bumps) != 1 || len(want.Voice) != len(OctaveHz) || len(want.Room) != len(OctaveHz) {
		t.Fatalf("heard %+v", want)
	}
	for _, block := range []int{1, 441, 4096, 100000, 0} {
		if got := heard(x, block); !reflect.DeepEqual(got, want) {
			t.Errorf("in blocks of %d: %+v, want %+v", block, got, want)
		}
	}
}

// Of what holds no reading nothing is told, and nothing breaks.
func TestListenerOfLittle(t *testing.T) {
	for name, x := range map[string][]float32{
		"nothing": nil, "one sample": {0.5}, "half a second": reading(4).Float32()[:22050],
		"silence": make([]float32, 20*speech.SampleRateHz),
	} {
		got := heard(x, 8192)
		got.Voice, got.Room = nil, nil
		if !reflect.DeepEqual(got, Faults{}) {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// The colors are those of the sound: white noise rises by 3 dB an octave, and a tone
// stands in its own octave.
func TestRoomColor(t *testing.T) {
	tape := made.NewTape(9)
	tape.Pause(20)
	tape.White(-60)
	room := heard(tape.Float32(), 8192).Room
	for o := 1; o < len(OctaveHz); o++ {
		if rise := room[o] - room[o-1]; o > 2 && math.Abs(rise-3.01) > 0.5 {
			t.Errorf("from %g to %g Hz: %.2f dB, want 3", OctaveHz[o-1], OctaveHz[o], rise)
		}
		// An octave of white noise holds its width of the whole band.
		want := -60 + 10*math.Log10(OctaveHz[o]/math.Sqrt2/(speech.SampleRateHz/2))
		if o > 2 && math.Abs(room[o]-want) > 0.6 {
			t.Errorf("%g Hz: %.2f dBFS, want %.2f", OctaveHz[o], room[o], want)
		}
	}
}

// The level of hum is that of its lines, whatever room lies around them.
func TestHumLevel(t *testing.T) {
	for _, mains := range []int{50, 60} {
		for _, drift := range []float64{-0.003, 0, 0.003} {
			x := reading(6).Float32()
			for i := range x {
				at := 2 * math.Pi * float64(mains) * (1 + drift) * float64(i) / speech.SampleRateHz
				x[i] += float32(0.0010*math.Sin(at) + 0.0008*math.Sin(2*at) + 0.0005*math.Sin(3*at))
			}
			h := heard(x, 8192).Hum
			if h == nil || h.MainsHz != mains || len(h.HarmonicsHz) != 3 {
				t.Errorf("%d Hz, off by %g: %+v", mains, drift, h)
				continue
			}
			want := 10 * math.Log10((0.0010*0.0010+0.0008*0.0008+0.0005*0.0005)/2)
			if math.Abs(h.LevelDBFS-want) > 1 {
				t.Errorf("%d Hz, off by %g: %.2f dBFS, want %.2f", mains, drift, h.LevelDBFS, want)
			}
		}
	}
	if h := heard(reading(6).Float32(), 8192).Hum; h != nil {
		t.Errorf("hum heard where there is none: %+v", h)
	}
}

// A stream of any length keeps no more than mostLow low spectra, evenly spaced.
func TestLowSpectraAreThinned(t *testing.T) {
	s := newLowSpectra()
	const hops = 5*mostLow + 77
	for i := range hops * lowHop {
		s.addSlow(float64(i % 7))
	}
	if len(s.keep) > mostLow || len(s.keep) < mostLow/2 || len(s.keep) != len(s.keepAt) {
		t.Fatalf("%d spectra at %d places", len(s.keep), len(s.keepAt))
	}
	for i, at := range s.keepAt {
		if at != i*s.every {
			t.Fatalf("spectrum %d is of hop %d, want %d", i, at, i*s.every)
		}
	}
	if last := s.keepAt[len(s.keepAt)-1]; last < hops-2*s.every-lowSamples/lowHop {
		t.Errorf("the last spectrum is of hop %d of %d", last, hops)
	}
}

func BenchmarkListener(b *testing.B) {
	x := reading(1).Float32()
	b.SetBytes(int64(len(x)))
	for b.Loop() {
		heard := NewListener()
		heard.Add(x)
	}
	b.ReportMetric(float64(len(x))/speech.SampleRateHz*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}
