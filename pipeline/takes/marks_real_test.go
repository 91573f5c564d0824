package takes

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/internal/narrated"
	"lectern/pipeline/resample"
	"lectern/pipeline/speech"
)

// TestRowsOfClaps wants three or four even claps to mark, and pairs of recorded claps,
// snaps and taps to be found: one sound of each recording, laid twice.
func TestRowsOfClaps(t *testing.T) {
	type row struct {
		says  string
		sound func(rng *rand.Rand) []float64
		count int
		least float64 // distance in seconds
	}
	rows := []row{}
	for _, count := range []int{3, 4} {
		rows = append(rows, row{fmt.Sprintf("%d claps", count), func(rng *rand.Rand) []float64 { return made.Burst(rng, 800, 6000, 0.02) }, count, 0.2})
	}
	for _, c := range []struct {
		file      string
		from, toS float64 // the sound, without the noise of the recording before it
		least     float64 // two snaps as short as a click are no mark closer than 0.26 s
	}{{"HandClap-Med.wav", 0.008, 0.15, 0.16}, {"Fingersnap-Hard.wav", 0.027, 0.15, 0.28}, {"perc_snap.wav", 0.005, 0.15, 0.16}, {"tap.wav", 0.1, 0.16, 0.16}} {
		x, ok := recorded(t, "noise", c.file)
		if !ok {
			t.Log("no recordings: recorded claps are left out")
			break
		}
		piece := wide(x[int(c.from*made.RateHz):int(c.toS*made.RateHz)])
		for i := range piece { // it must not end in a step
			piece[i] *= min(1, float64(len(piece)-i)/float64(made.Frames(0.02)))
		}
		rows = append(rows, row{c.file, func(*rand.Rand) []float64 { return slices.Clone(piece) }, 2, c.least})
	}
	var table marksTable
	for n := range tapes(1, 30) {
		rng := rand.New(rand.NewPCG(uint64(n), 53))
		rooms := markRooms(t)
		room, level := rooms[n%len(rooms)], roomLevels[n%len(roomLevels)]
		var says []string
		var events []event
		for _, r := range rows {
			over, gap := []float64{12, 15, 20, 30, 40}[rng.IntN(5)], r.least+(0.78-r.least)*rng.Float64()
			says = append(says, fmt.Sprintf("%s at %g dBFS: %s, %g dB over, %.2f s apart", room.name, level, r.says, over, gap))
			events = append(events, func(put func(float64, []float64, float64)) float64 {
				at := 0.0
				for i := range r.count {
					if i > 0 {
						at += gap
					}
					put(at, r.sound(rng), over+3*rng.Float64())
				}
				return at
			})
		}
		m := newMarkTape(uint64(n), room, level, says, events)
		hit, elsewhere := m.counts(t)
		for i, h := range hit {
			table.add(rows[i].says, h)
			if !h {
				t.Errorf("%s: not found", says[i])
			}
		}
		if elsewhere > 0 {
			t.Errorf("tape %d: %d marks where none was made", n, elsewhere)
		}
	}
	table.print(t)
}

// withoutClaps are the recordings in which nobody claps twice: all of narration, the
// noises, and the sentences read again that have the reader's room around them.
var withoutClaps = map[string][]string{
	"narration": {
		"LJ001-0001.flac", "LJ001-0002.flac", "LJ001-0003.flac", "LJ001-0004.flac", "LJ001-0005.flac", "LJ001-0006.flac",
		"LJ001-0007.flac", "LJ001-0008.flac", "LJ001-0009.flac", "LJ001-0010.flac", "LJ001-0011.flac", "LJ001-0012.flac",
		"LJ001-0013.flac", "LJ001-0014.flac", "LJ001-0015.flac", "LJ001-0016.flac", "aeneas_de.mp3", "alsa_Front_Center.wav",
		"kerstin_0181_raw.wav", "kerstin_0844_raw.wav", "kerstin_1335_raw.wav", "kerstin_1417_raw.wav", "kerstin_1422_raw.wav",
		"kerstin_1628_raw.wav", "kerstin_1652_raw.wav", "librispeech_1088-134315-0000.wav", "librispeech_3331-159605-0008.wav",
		"lyra_sample1_48k.wav",
	},
	"noise": {
		"ambi_soft_buzz.wav", "fieldrec_A101_1_1.WAV", "fireplace.ogg", "precise_bg_noise4.wav", "precise_bg_noise8.wav",
		"Fingersnap-Hard.wav", "HandClap-Med.wav", "perc_snap.wav", "tap.wav", // one sound each
	},
	"repeats": {
		"kerstin_drei_neue_linien_take1_raw.wav", "kerstin_drei_neue_linien_take2_raw.wav", "kerstin_drei_neue_linien_take3_raw.wav",
		"kerstin_drei_neue_linien_take4_raw.wav", "kerstin_justine_und_juliette_take1_raw.wav", "kerstin_justine_und_juliette_take2_raw.wav",
		"kerstin_justine_und_juliette_take3_raw.wav", "kerstin_nach_seinem_tod_take1_raw.wav", "kerstin_nach_seinem_tod_take2_raw.wav",
	},
}

// TestNoMarksInRecordings wants no mark in them, each by itself and all of a folder as one
// reading, where the pauses of one run into those of the next.
func TestNoMarksInRecordings(t *testing.T) {
	if os.Getenv("LECTERN_RECORDINGS") == "" {
		t.Skip("LECTERN_RECORDINGS names no folder of recordings: they are left out")
	}
	for folder, files := range withoutClaps {
		if testing.Short() || os.Getenv("LECTERN_LONG") == "" {
			files = files[len(files)-2:]
		}
		var joined []float32
		for _, file := range files {
			x, ok := recorded(t, folder, file)
			if !ok {
				t.Skip("ffmpeg is not installed: the recordings are left out")
			}
			if marks, _ := marksOf(x, 4410); len(marks) > 0 {
				t.Errorf("%s: marks %v", filepath.Join(folder, file), marks)
			}
			joined = append(joined, x...)
		}
		if folder == "noise" { // one clap behind the other would be a mark
			continue
		}
		if marks, _ := marksOf(joined, 4410); len(marks) > 0 {
			t.Errorf("all of %s: marks %v", folder, marks)
		}
		t.Logf("%s: no mark in %d files, %.0f s", folder, len(files), float64(len(joined))/speech.SampleRateHz)
	}
}

// TestNoMarksInNarration wants no mark in long made readings, breaths among them, in
// every voice and in rooms of several levels. LECTERN_LONG=1 for 32 minutes.
func TestNoMarksInNarration(t *testing.T) {
	seconds, voices := 20.0, narrated.Voices()[:1]
	if os.Getenv("LECTERN_LONG") != "" && !testing.Short() {
		seconds, voices = 240, narrated.Voices()
	}
	total := 0.0
	for i, v := range voices {
		r, err := narrated.Read(context.Background(), uint64(i), v, seconds)
		if absent := new(narrated.AbsentError); errors.As(err, &absent) {
			t.Skip(absent.Error())
		}
		if err != nil {
			t.Fatal(err)
		}
		room := narrated.Room(uint64(i), v.RateHz, len(r.Words), []float64{-75, -65, -58}[i%3])
		var x []float32
		c := resample.New(v.RateHz)
		keep := func(b []float32) error { x = append(x, b...); return nil }
		if err := errors.Join(c.Write(r.In(room), keep), c.Close(keep)); err != nil {
			t.Fatal(err)
		}
		marks, m := marksOf(withoutRumble(x), 4410)
		if len(marks) > 0 || len(m.Phrases) == 0 {
			t.Errorf("%s: marks %v among %d phrases", v.Name, marks, len(m.Phrases))
		}
		total += float64(len(x)) / speech.SampleRateHz
	}
	t.Logf("no mark in %.1f minutes of narration", total/60)
}

// TestMarksDoNotHangOnBlocks wants the same answer however the stream is cut.
func TestMarksDoNotHangOnBlocks(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 59))
	lay := func(put func(float64, []float64, float64)) float64 {
		for i := range 2 {
			put(0.4*float64(i), made.Burst(rng, 800, 6000, 0.02), 25)
		}
		return 0.4
	}
	x := newMarkTape(1, markRooms(t)[0], -60, []string{"", ""}, []event{lay, lay}).Float32()
	want, _ := marksOf(x, len(x))
	for _, block := range []int{1, 441, 1000, 8192} {
		if got, _ := marksOf(x, block); !slices.Equal(got, want) {
			t.Errorf("blocks of %d: %v, in one block %v", block, got, want)
		}
	}
	if len(want) != 2 {
		t.Errorf("%d marks, want 2", len(want))
	}
}

// BenchmarkMarkListener hears a minute of made reading and finds the marks in it.
func BenchmarkMarkListener(b *testing.B) {
	tape := made.NewTape(3)
	for len(tape.Samples) < 60*made.RateHz {
		tape.Phrase(-25, 2.5, made.S, made.None)
		tape.Pause(0.5)
	}
	tape.Room(-62)
	x := tape.Float32()
	a := speech.NewAnalyzer()
	a.Add(x)
	m := speech.Draw(a.Features())
	b.ReportAllocs()
	kept := 0
	for b.Loop() {
		l := NewMarkListener()
		for rest := x; len(rest) > 0; rest = rest[min(len(rest), 4410):] {
			l.Add(rest[:min(len(rest), 4410)])
		}
		l.Marks(m)
		kept = len(l.sounds)
	}
	b.ReportMetric(float64(kept), "sounds/min")
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/60, "µs/s-of-sound")
}
