package pipeline

import (
	"math"
	"testing"

	"lectern/config"
	"lectern/pipeline/speech"
)

// steadyTimeline is 0.5 s of room, words of the given length and level, 2 s of
// room. In one frame of fifty the words' peak stands crestDB over their RMS, in the
// others 8 dB.
func steadyTimeline(wordsS, levelDBFS, crestDB, roomDBFS float64) *timeline {
	n := seconds(wordsS)
	t := &timeline{
		phrases: []speech.Span{{From: 50, To: 50 + n}},
		pauses:  []speech.Span{{From: 0, To: 50}, {From: 50 + n, To: 250 + n}},
		power:   make([]float32, 250+n), peak: make([]float32, 250+n), laidIn: make([]bool, 250+n),
	}
	for i := range t.power {
		level, crest := roomDBFS, 10.0
		if i >= 50 && i < 50+n {
			if level, crest = levelDBFS, 8; i%50 == 10 {
				crest = crestDB
			}
		}
		t.power[i] = float32(math.Pow(10, level/10))
		t.peak[i] = float32(math.Pow(10, (level+crest)/20))
	}
	return t
}

func normalized(t *timeline) (loudness, *leveling) {
	l := &leveling{gainDB: make([]float32, t.frames()+1), eased: make([]float32, t.frames()+1)}
	for _, p := range t.pauses {
		for k := p.From; k <= p.To; k++ {
			l.eased[k] = 1
		}
	}
	s := config.Default()
	return normalize(t, l, nil, s.Delivery, s.Level), l
}

// TestGiveWay goes through the ways a reading may leave its aims, with levels
// chosen so that the overall gain follows by adding up: words of -30 dBFS need 10
// dB, and their peak then stands at crest-20 dBFS.
func TestGiveWay(t *testing.T) {
	type band [2]float64 // least and most
	nothing := band{}
	for _, c := range []struct {
		name          string
		wordsS, crest float64
		overall       band
		rmsDB, peakDB band
	}{
		{"nothing to give", 60, 17, band{9.95, 10.05}, nothing, nothing},
		// 3 dB over the ceiling: the limiter costs a little RMS.
		{"some limiting", 60, 20, band{10.05, 11}, nothing, nothing},
		// The peak reaches -3.03 at RMS -19.53.
		{"dense", 60, 16.5, band{10.42, 10.52}, band{0.4, 0.5}, nothing},
		// At RMS -19 the peak is still at -5.
		{"very dense", 60, 14, band{10.95, 11.05}, band{0.95, 1.05}, band{-2, -1.9}},
		// Limited by 8 dB, the peak allows 8.97 dB of gain, RMS -21.03 less the limiter's cost.
		{"high peaks", 60, 26, band{8.95, 9}, band{-2, -1.03}, nothing},
		// Not under RMS -22, whatever it takes.
		{"very high peaks", 60, 37, band{8, 10}, band{-2.05, -1.95}, nothing},
		// 3 s of words in 5.5 s: head and tail cost 2.63 dB, 0.13 more than allowed.
		{"short", 3, 17, band{10.1, 10.25}, band{0.08, 0.2}, nothing},
		// 0.2 s in 2.7 s: -22.5 over the file would ask for -11 over the word; it ends at
		// the -18 that a reading may have.
		{"very short", 0.2, 17, band{12, 13.5}, band{1.95, 2.05}, nothing},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, _ := normalized(steadyTimeline(c.wordsS, -30, c.crest, -90))
			within := func(what string, v float64, b band) {
				if v < b[0] || v > b[1] {
					t.Errorf("%s %.3f dB, want %g to %g", what, v, b[0], b[1])
				}
			}
			within("overall gain", got.overallDB, c.overall)
			gave := map[string]float64{}
			for _, g := range got.gaveWay {
				gave[g.GaveWay] = float64(g.DB)
			}
			within("RMS gave way by", gave["rms"], c.rmsDB)
			within("the peak gave way by", gave["peak"], c.peakDB)
			within("ceiling", got.ceilingDBFS, band{-3.0301, -3.0299})
		})
	}
}

// TestSlope wants 1 without limiting, less with much of it.
func TestSlope(t *testing.T) {
	if l, _ := normalized(steadyTimeline(60, -30, 14, -90)); math.Abs(l.slope-1) > 0.01 {
		t.Errorf("slope %.2f where nothing is limited, want 1", l.slope)
	}
	if l, _ := normalized(steadyTimeline(0.2, -30, 17, -90)); l.slope > 0.95 {
		t.Errorf("slope %.2f where a word is limited by 8 dB, want less than 1", l.slope)
	}
}

// TestEase wants the pauses eased down only where the limit would be missed,
// only so far that 1 dB is to spare, and never more than allowed. The words are
// raised by 10 dB and the room with them.
func TestEase(t *testing.T) {
	for _, c := range []struct{ room, ease, after float64 }{
		{-80, 0, -70},     // far under the limit
		{-70.5, 0, -60.5}, // under it by less than 1 dB: no need
		{-68, 3, -61},     // 2 dB over
		{-60, 11, -61},
		{-55, 12, -57}, // more than allowed
	} {
		got, l := normalized(steadyTimeline(60, -30, 17, c.room))
		if math.Abs(got.easeDB-c.ease) > 0.1 {
			t.Errorf("a room of %g dBFS is eased by %.2f dB, want %g", c.room, got.easeDB, c.ease)
		}
		if math.Abs(got.roomDBFS-c.after) > 0.2 || math.Abs(got.floorDBFS-c.after) > 0.2 {
			t.Errorf("a room of %g dBFS: %.2f and %.2f dBFS foretold, want %g", c.room, got.roomDBFS, got.floorDBFS, c.after)
		}
		gain := got.apply(l)
		if word, pause := gain[1000], gain[30]; word != 0 || math.Abs(float64(pause)+c.ease) > 0.1 {
			t.Errorf("a room of %g dBFS: words moved by %g, the pause by %g dB, want 0 and %g", c.room, word, pause, -c.ease)
		}
	}
}
