package speech

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"lectern/pipeline/internal/made"
)

// drawn is the map of x, fed in blocks of the given length.
func drawn(x []float32, block int) *Map {
	a := NewAnalyzer()
	for len(x) > 0 {
		n := min(block, len(x))
		a.Add(x[:n])
		x = x[n:]
	}
	return Draw(a.Features())
}

// awayMS is how far frame is from sample, in milliseconds; late is positive.
func awayMS(frame, sample int) float64 {
	return 1000 * float64(frame*FrameSamples-sample) / SampleRateHz
}

// reading is five phrases with pauses of 0.35 to 1.2 s, after 1 s of room.
func reading(seed uint64, levelDBFS float64) *made.Tape {
	tape := made.NewTape(seed)
	tape.Pause(1)
	for i, pause := range []float64{0.5, 0.35, 1.2, 0.6, 1.5} {
		last := made.None
		if i%2 == 1 {
			last = made.S
		}
		tape.Phrase(levelDBFS, 1.3+0.4*float64(i%3), []made.Consonant{made.None, made.S}[i%2], last)
		tape.Pause(pause)
	}
	return tape
}

// TestPhrasesAreFound wants every phrase of made speech, and nothing else, each
// start and end within 20 ms, wherever the words stand 25 dB over the room.
func TestPhrasesAreFound(t *testing.T) {
	for _, roomDBFS := range []float64{-75, -65, -58, -50} {
		for _, levelDBFS := range []float64{-35, -25, -16} {
			if levelDBFS-roomDBFS < 25 {
				continue
			}
			t.Run(fmt.Sprintf("words %g room %g", levelDBFS, roomDBFS), func(t *testing.T) {
				for seed := range uint64(2) {
					tape := reading(seed, levelDBFS)
					tape.Room(roomDBFS)
					wantPhrases(t, drawn(tape.Float32(), 4096), tape.Phrases, 20)
				}
			})
		}
	}
}

func wantPhrases(t *testing.T, m *Map, want []made.Span, withinMS float64) {
	t.Helper()
	if len(m.Phrases) != len(want) {
		t.Fatalf("%d phrases %v, want %d", len(m.Phrases), m.Phrases, len(want))
	}
	if len(m.Pauses) != len(want)+1 {
		t.Errorf("%d pauses, want %d", len(m.Pauses), len(want)+1)
	}
	for i, p := range m.Phrases {
		start, end := awayMS(p.From, want[i].From), awayMS(p.To, want[i].To)
		if math.Abs(start) > withinMS || math.Abs(end) > withinMS {
			t.Errorf("phrase %d: starts %.0f ms and ends %.0f ms away from where it was made, want %g at most", i, start, end, withinMS)
		}
		if m.Pauses[i].To != p.From || m.Pauses[i+1].From != p.To {
			t.Errorf("phrase %v does not lie between pauses %v and %v", p, m.Pauses[i], m.Pauses[i+1])
		}
	}
}

// TestKnocksAreNotSpeech puts a click, a clap, the thump of a chair and a knock on
// the table into the head: each is a sound, none is a word.
func TestKnocksAreNotSpeech(t *testing.T) {
	knocks := map[string]func(*made.Tape){
		"mouse click": func(t *made.Tape) { t.Knock(0.4, -20, 3000, 0.002) },
		"clap":        func(t *made.Tape) { t.Clap(0.4, -12) },
		"chair":       func(t *made.Tape) { t.Knock(0.4, -10, 90, 0.06) },
		"table":       func(t *made.Tape) { t.Knock(0.4, -15, 320, 0.03) },
		"all three": func(t *made.Tape) {
			t.Knock(0.2, -20, 3000, 0.002)
			t.Clap(0.4, -12)
			t.Knock(0.6, -10, 90, 0.06)
		},
	}
	for name, knock := range knocks {
		for _, roomDBFS := range []float64{-70, -60} {
			t.Run(fmt.Sprintf("%s, room %g", name, roomDBFS), func(t *testing.T) {
				tape := reading(3, -22)
				tape.Room(roomDBFS)
				knock(tape)
				m := drawn(tape.Float32(), 4096)
				wantPhrases(t, m, tape.Phrases, 20)
				at := 40
				if name == "all three" {
					at = 20
				}
				if !slices.ContainsFunc(m.Sounds, func(s Span) bool { return s.From <= at && s.To > at }) {
					t.Errorf("the knock at frame %d is no sound: %v", at, m.Sounds)
				}
			})
		}
	}
}

// TestSoftConsonantsAreSpeech wants a soft first and last consonant to belong
// to its word. Each is 10 to 22 dB softer than the vowel; the room is so that it
// stands clear by 6 dB in its own band.
func TestSoftConsonantsAreSpeech(t *testing.T) {
	for name, c := range map[string]made.Consonant{"s": made.S, "f": made.F, "h": made.H, "th": made.Th} {
		t.Run(name, func(t *testing.T) {
			tape := made.NewTape(5)
			tape.Pause(1)
			tape.Phrase(-20, 1.5, c, made.None)
			tape.Pause(0.8)
			tape.Phrase(-20, 1.5, made.None, c)
			tape.Pause(0.8)
			tape.Phrase(-20, 1.5, c, c)
			tape.Pause(1)
			tape.Room(-68)
			wantPhrases(t, drawn(tape.Float32(), 4096), tape.Phrases, 20)
		})
	}
}

// TestBreathIsASound wants a breath well before the word to be a sound in the pause.
func TestBreathIsASound(t *testing.T) {
	tape := made.NewTape(8)
	tape.Pause(1)
	tape.Phrase(-20, 2, made.None, made.None)
	tape.Pause(0.5)
	breathAt := len(tape.Samples)
	tape.Breath(-45, 0.5)
	tape.Pause(0.3)
	tape.Phrase(-20, 2, made.None, made.None)
	tape.Pause(1)
	tape.Room(-70)
	m := drawn(tape.Float32(), 4096)
	wantPhrases(t, m, tape.Phrases, 20)
	middle := breathAt/FrameSamples + 25
	if !slices.ContainsFunc(m.Sounds, func(s Span) bool { return s.From <= middle && s.To > middle && s.Len() >= 25 }) {
		t.Errorf("the breath around frame %d is not among the sounds %v", middle, m.Sounds)
	}
}

// TestNothingButRoom wants no phrases where nobody speaks.
func TestNothingButRoom(t *testing.T) {
	silence := made.NewTape(1)
	silence.Pause(5)
	room := made.NewTape(2)
	room.Pause(8)
	room.Room(-55)
	white := made.NewTape(3)
	white.Pause(8)
	white.White(-30)
	click := made.NewTape(4)
	click.Pause(8)
	click.Room(-60)
	click.Knock(3, -20, 3000, 0.002)
	for name, tape := range map[string]*made.Tape{
		"silence": silence, "room": room, "loud white noise": white, "room with a click": click,
		"nothing at all": made.NewTape(5),
	} {
		t.Run(name, func(t *testing.T) {
			m := drawn(tape.Float32(), 4096)
			if len(m.Phrases) != 0 {
				t.Errorf("phrases %v, want none", m.Phrases)
			}
			if want := []Span{{0, m.Features.Len()}}; !slices.Equal(m.Pauses, want) {
				t.Errorf("pauses %v, want %v", m.Pauses, want)
			}
		})
	}
}

// TestKnobTurnedInAPause wants every phrase found though everything, room and
// all, becomes louder or softer in the middle of a pause.
func TestKnobTurnedInAPause(t *testing.T) {
	for _, step := range []float64{-12, -6, 8, 12} {
		t.Run(fmt.Sprintf("%+g dB", step), func(t *testing.T) {
			tape := reading(6, -24)
			tape.Room(-66)
			// The middle of the third pause between the phrases.
			middle := (tape.Phrases[2].To + tape.Phrases[3].From) / 2
			tape.Gain(float64(middle)/made.RateHz, step)
			wantPhrases(t, drawn(tape.Float32(), 4096), tape.Phrases, 20)
		})
	}
}

// TestSoftPhraseAmongLoud wants a phrase 18 dB under the others to be found.
func TestSoftPhraseAmongLoud(t *testing.T) {
	tape := made.NewTape(7)
	tape.Pause(1)
	for _, level := range []float64{-18, -18, -36, -18, -18} {
		tape.Phrase(level, 1.5, made.None, made.None)
		tape.Pause(0.7)
	}
	tape.Room(-70)
	wantPhrases(t, drawn(tape.Float32(), 4096), tape.Phrases, 20)
}

// TestMapDoesNotHangOnBlocks wants the same features to the bit, and the same
// map, however the stream is cut up.
func TestMapDoesNotHangOnBlocks(t *testing.T) {
	tape := reading(9, -20)
	tape.Room(-62)
	x := tape.Float32()[:6*SampleRateHz+123]
	want := drawn(x, len(x))
	for _, block := range []int{1, 441, 1000, 8192} {
		got := drawn(x, block)
		if !slices.Equal(got.Phrases, want.Phrases) || !slices.Equal(got.Sounds, want.Sounds) {
			t.Errorf("blocks of %d: another map", block)
		}
		if !slices.Equal(got.Features.Power, want.Features.Power) || !slices.Equal(got.Features.Peak, want.Features.Peak) ||
			!slices.Equal(got.Features.Voicing, want.Features.Voicing) {
			t.Errorf("blocks of %d: other features", block)
		}
		for b := range want.Features.Band {
			if !slices.Equal(got.Features.Band[b], want.Features.Band[b]) {
				t.Errorf("blocks of %d: band %d differs", block, b)
			}
		}
	}
	if len(want.Phrases) == 0 {
		t.Error("no phrases: the comparison says nothing")
	}
}

// TestFeatures holds the numbers of a frame to what is known of a tone: a sine
// of amplitude a has the mean square a*a/2, and all of it lies in its own band.
func TestFeatures(t *testing.T) {
	const amplitude = 0.1 // -20 dBFS peak, -23.01 dBFS RMS
	x := make([]float32, 2*SampleRateHz)
	for i := range x {
		x[i] = float32(amplitude * math.Sin(2*math.Pi*400*float64(i)/SampleRateHz))
	}
	a := NewAnalyzer()
	a.Add(x)
	f := a.Features()
	if f.Len() != 200 {
		t.Fatalf("%d frames, want 200", f.Len())
	}
	const frame = 100
	if got := 10 * math.Log10(float64(f.Power[frame])); math.Abs(got+23.01) > 0.01 {
		t.Errorf("power %.2f dB, want -23.01", got)
	}
	if got := f.Peak[frame]; math.Abs(float64(got)-amplitude) > 0.001 {
		t.Errorf("peak %.4f, want %g", got, amplitude)
	}
	if got := f.BandDB(1, frame); math.Abs(got+23.01) > 0.1 { // 250 to 800 Hz
		t.Errorf("its band %.2f dB, want -23.01 within 0.1", got)
	}
	if got := f.BandDB(3, frame); got > -80 {
		t.Errorf("the band from 2500 Hz holds %.1f dB of a tone at 400 Hz", got)
	}
	if got := f.Voicing[frame]; got < 90 {
		t.Errorf("voicing %d of a tone of 400 Hz, want 90 or more", got)
	}
}

// TestLastPiece wants a last piece of half a frame or more to be a frame.
func TestLastPiece(t *testing.T) {
	for n, want := range map[int]int{0: 0, 220: 0, 221: 1, 441: 1, 661: 1, 662: 2} {
		a := NewAnalyzer()
		a.Add(make([]float32, n))
		if got := a.Features().Len(); got != want {
			t.Errorf("%d samples: %d frames, want %d", n, got, want)
		}
	}
}

// TestMutedPauses wants the words of a recording whose pauses are digital
// silence, as a gate leaves them, and no words in a noise between two silences.
func TestMutedPauses(t *testing.T) {
	for seed := range uint64(6) {
		tape := made.NewTape(seed)
		tape.Pause(1)
		for range 3 {
			tape.Phrase(-20, 1, made.None, made.None)
			tape.Pause(0.8)
		}
		wantPhrases(t, drawn(tape.Float32(), 4096), tape.Phrases, 20)
	}

	// Only the ends are silent, as an export pads them; between them is room.
	tape := reading(4, -20)
	tape.Room(-55)
	padded := append(make([]float32, 3*SampleRateHz), tape.Float32()...)
	padded = append(padded, make([]float32, 3*SampleRateHz)...)
	for i := range tape.Phrases {
		tape.Phrases[i].From += 3 * SampleRateHz
		tape.Phrases[i].To += 3 * SampleRateHz
	}
	wantPhrases(t, drawn(padded, 4096), tape.Phrases, 20)

	noise := made.NewTape(2)
	noise.Pause(4)
	noise.Room(-40)
	silence := make([]float32, 2*SampleRateHz)
	if m := drawn(slices.Concat(silence, noise.Float32(), silence), 4096); len(m.Phrases) != 0 {
		t.Errorf("phrases %v in noise between silences", m.Phrases)
	}
}
