package pipeline

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/speech"
)

// takeTone takes n samples of r's room tone from its beginning.
func takeTone(r *recording, n int) []float32 {
	r.room.rewind()
	out := make([]float32, n)
	r.room.take(out)
	return out
}

// octavesDB is the level of x in octave bands around 63 Hz to 16 kHz.
func octavesDB(x []float32) []float64 {
	in := make([]float64, len(x))
	for i, v := range x {
		in[i] = float64(v)
	}
	bins := fourier.NewFFT(len(x)).Coefficients(nil, in)
	var out []float64
	for center := 62.5; center < 20000; center *= 2 {
		from, to := center/math.Sqrt2*float64(len(x))/sampleRateHz, center*math.Sqrt2*float64(len(x))/sampleRateHz
		var sum float64
		for _, c := range bins[int(from):min(int(to), len(bins))] {
			sum += real(c)*real(c) + imag(c)*imag(c)
		}
		out = append(out, 10*math.Log10(2*sum/float64(len(x))/float64(len(x))))
	}
	return out
}

// repeats is the largest autocorrelation of x at 50 ms to 2 s.
func repeats(x []float32) float64 {
	n := 1
	for n < 2*len(x) {
		n *= 2
	}
	in := make([]float64, n)
	for i, v := range x {
		in[i] = float64(v)
	}
	f := fourier.NewFFT(n)
	bins := f.Coefficients(nil, in)
	for i, c := range bins {
		bins[i] = complex(real(c)*real(c)+imag(c)*imag(c), 0)
	}
	acf := f.Sequence(in, bins)
	most := 0.0
	for lag := sampleRateHz / 20; lag <= 2*sampleRateHz; lag++ {
		most = max(most, math.Abs(acf[lag])/acf[0])
	}
	return most
}

// TestToneSoundsLikeTheRoom makes tone from rooms of different color and level,
// one with a hum: level within 1 dB, octaves from 250 Hz within 2 dB, those at 63
// and 125 Hz within 4, nothing in it coming back after 50 ms more than in the room
// itself plus 0.1 (the project's own figures).
func TestToneSoundsLikeTheRoom(t *testing.T) {
	const seconds = 8
	rooms := map[string]func(t *made.Tape){
		"dark room": func(t *made.Tape) { t.Room(-58) },
		"white":     func(t *made.Tape) { t.White(-70) },
		"hum": func(t *made.Tape) {
			t.Room(-64)
			for i := range t.Samples {
				t.Samples[i] += 0.0006 * math.Sin(2*math.Pi*100*float64(i)/sampleRateHz)
			}
		},
	}
	for name, room := range rooms {
		t.Run(name, func(t *testing.T) {
			source := made.NewTape(5)
			source.Pause(seconds)
			room(source)
			// The same room with a reader in it.
			tape := made.NewTape(6)
			tape.Pause(0.6)
			for range 4 {
				tape.Phrase(-20, 1.5, made.S, made.None)
				tape.Pause(0.9)
			}
			room(tape)
			r := recorded(t, tape.Float32())
			if !r.room.borrowed {
				t.Fatal("the room was not found")
			}
			want, got := source.Float32(), takeTone(r, seconds*sampleRateHz)
			level := rmsDBFS(got) - rmsDBFS(want)
			var off []float64
			for i, db := range octavesDB(got) {
				off = append(off, db-octavesDB(want)[i])
				if tolerance := 2.0; math.Abs(off[i]) > tolerance && (i > 1 || math.Abs(off[i]) > 4) {
					t.Errorf("octave %d (63 Hz is 0) is off by %.2f dB", i, off[i])
				}
			}
			t.Logf("level %+.2f dB, octaves %+.1f, comes back %.3f (room %.3f)", level, off, repeats(got), repeats(want))
			if math.Abs(level) > 1 {
				t.Errorf("level off by %.2f dB, want within 1", level)
			}
			if math.Abs(rmsDBFS(got)-r.room.powerDBFS) > 0.3 {
				t.Errorf("level %.2f dBFS, said to be %.2f", rmsDBFS(got), r.room.powerDBFS)
			}
			if a, b := repeats(got), repeats(want); a > b+0.1 {
				t.Errorf("something comes back: autocorrelation %.3f, the room's own is %.3f", a, b)
			}
		})
	}
}

// TestToneIsTheSameAgain wants the same samples for the same seed, in whatever
// pieces they are taken, and others for another.
func TestToneIsTheSameAgain(t *testing.T) {
	r, _ := wordsIn(t, -60, -20)
	first := takeTone(r, 30000)
	if !slices.Equal(first, takeTone(r, 30000)) {
		t.Error("other samples the second time")
	}
	r.room.rewind()
	for rest := make([]float32, 30000); len(first) > 0; rest = rest[min(len(rest), 777):] {
		part := rest[:min(len(rest), 777)]
		r.room.take(part)
		if !slices.Equal(part, first[:len(part)]) {
			t.Fatal("other samples in other pieces")
		}
		first = first[len(part):]
	}
	other, err := newRoomTone(r, [32]byte{2})
	if err != nil {
		t.Fatal(err)
	}
	other.rewind()
	x := make([]float32, 30000)
	other.take(x)
	if slices.Equal(x, takeTone(r, 30000)) {
		t.Error("the same samples for another seed")
	}
}

// TestToneIgnoresALoudPause wants the tone not to learn a car passing in one of five pauses.
func TestToneIgnoresALoudPause(t *testing.T) {
	tape := made.NewTape(4)
	tape.Pause(1)
	for range 5 {
		tape.Phrase(-20, 1, made.None, made.None)
		tape.Pause(0.8)
	}
	tape.Room(-66)
	car := white(made.Frames(0.6), math.Pow(10, -50.0/20), 4)
	for i, v := range car {
		tape.Samples[tape.Phrases[2].To+made.Frames(0.1)+i] += float64(v)
	}
	r := recorded(t, tape.Float32())
	if level := rmsDBFS(takeTone(r, 2*sampleRateHz)); math.Abs(level+66) > 1 {
		t.Errorf("tone of %.2f dBFS from a room of -66", level)
	}
}

// TestToneContinuesTheRoomBesideIt wants tone as loud as the room it is laid beside,
// where that is 4 dB louder than in the rest of the raw: in front of the first word
// here, and then in the middle of a hole in a pause.
func TestToneContinuesTheRoomBesideIt(t *testing.T) {
	tape := made.NewTape(4)
	tape.Pause(0.35)
	for range 4 {
		tape.Phrase(-20, 1, made.None, made.None)
		tape.Pause(1)
	}
	tape.Pause(2)
	tape.Room(-66)
	loud := white(made.Frames(0.35), math.Pow(10, -64.2/20), 4) // -66 and that is -62
	for i, v := range loud {
		tape.Samples[i] += float64(v)
	}
	hole := tape.Phrases[1].To + made.Frames(0.4)
	clear(tape.Samples[hole : hole+made.Frames(0.2)])
	recs := []*recording{recorded(t, tape.Float32())}
	tl := trimWhole(recs, 2, 2, 1.5)
	x := rendered(t, Plan{Segments: tl.segments, GainDB: make([]float32, tl.frames()+1)}, recs, 4096)
	tones := 0
	for _, s := range tl.segments {
		if !s.Tone {
			continue
		}
		tones++
		want := -66.0
		if s.At == 0 {
			want = -62
		}
		if got := levelOf(x, stretch{(s.At + 2) * frameSamples, (s.End() - 2) * frameSamples}); math.Abs(got-want) > 1 {
			t.Errorf("tone at %d of %.2f dBFS, want %g", s.At, got, want)
		}
	}
	if tones != 2 {
		t.Errorf("%d stretches of tone, want 2", tones)
	}
}

// TestToneWithoutARoom wants made noise, 50 dB under the words, where the raw
// mutes its pauses.
func TestToneWithoutARoom(t *testing.T) {
	tape := made.NewTape(4)
	tape.Pause(1)
	for range 3 {
		tape.Phrase(-20, 1, made.None, made.None)
		tape.Pause(0.8)
	}
	r := recorded(t, tape.Float32())
	if r.room.borrowed {
		t.Error("a room was found in digital silence")
	}
	got := takeTone(r, 4*sampleRateHz)
	if want := r.m.SpeechDB - inventedUnderSpeechDB; math.Abs(rmsDBFS(got)-want) > 0.5 {
		t.Errorf("the made noise has %.2f dBFS, want %.2f", rmsDBFS(got), want)
	}
	if zeros := longestZeros(got); zeros > 1 {
		t.Errorf("%d zeros in a row", zeros)
	}
	// 1/hz of amplitude: 3 dB an octave of noise, as each octave is twice as wide.
	octaves := octavesDB(got)
	t.Logf("octaves from 63 Hz: %.1f", octaves)
}

func TestCleanRoom(t *testing.T) {
	r := &recording{m: &speech.Map{
		Features: &speech.Features{Power: make([]float32, 300)},
		Phrases:  []speech.Span{{From: 100, To: 200}},
		Sounds:   []speech.Span{{From: 40, To: 50}, {From: 210, To: 220}},
	}, silent: make([]bool, 300)}
	for i := 270; i < 280; i++ {
		r.silent[i] = true
	}
	want := []speech.Span{{From: 0, To: 35}, {From: 55, To: 95}, {From: 225, To: 270}, {From: 280, To: 300}}
	if got := cleanRoom(r); !slices.Equal(got, want) {
		t.Errorf("clean room %v, want %v", got, want)
	}
}
