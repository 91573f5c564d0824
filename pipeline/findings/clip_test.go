package findings

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"lectern/pipeline/internal/made"
)

// found counts the spans that a clip of the kind overlaps.
func found(clips []Clip, kind ClipKind, rateHz int, spans []made.Span) int {
	n := 0
	for _, s := range spans {
		from, to := float64(s.From)/float64(rateHz), float64(s.To)/float64(rateHz)
		for _, c := range clips {
			if c.Kind == kind && c.FromS < to && c.UntilS > from {
				n++
				break
			}
		}
	}
	return n
}

// clipsHeard listens for nothing but clipping.
func clipsHeard(rateHz int, x []float32) []Clip {
	s := NewSamples(rateHz, 1)
	s.stretchers[0].each(x, s.clips[0].add)
	s.soft[0].add(x)
	return s.Conclude().Clips
}

// TestHardClipping plants peaks that go over full scale. A careful listener hears a
// flat top of three samples in a row as a slight crackle at the earliest, so
// every one must be found.
func TestHardClipping(t *testing.T) {
	tally := newTally("clipped")
	for _, s := range cleanSounds() {
		for _, overDB := range []float64{0.5, 1, 2, 3, 6} {
			loud := scaled(s.x, overDB)
			planted := reaching(loud, 3, func(v float32) bool { return v >= 1 })
			planted = append(planted, reaching(loud, 3, func(v float32) bool { return v <= -1 })...)
			got := clipsHeard(s.rateHz, rounded(loud, 0))
			tally.note(fmt.Sprintf("%g dB over", overDB), found(got, Hard, s.rateHz, planted), len(planted))
		}
	}
	t.Log(tally)
	for _, row := range tally.rows {
		tally.least(t, row, 0.999)
	}
}

// TestLoweredClipping plants the same, made softer afterwards, also with dither and
// with a ceiling on one side only. Crackle is heard whatever the level; from 1 dB
// on, where it comes again and again (ten times on one side of the wave: a ceiling
// that is met by fewer than four tops is none), nine of ten tops must be found.
func TestLoweredClipping(t *testing.T) {
	tally := newTally("lowered")
	for _, s := range cleanSounds() {
		for _, overDB := range []float64{0.5, 1, 2, 3, 6} {
			loud := scaled(s.x, overDB)
			for _, c := range []struct {
				name         string
				gainDB       float64
				seed         uint64
				upper, lower float64
			}{
				{"", -1, 0, 1, 1}, {"", -6, 0, 1, 1}, {"", -12, 0, 1, 1},
				{", dithered", -6, 1, 1, 1}, {", one side", -3, 0, 1, 2}, {", two ceilings", -3, 0, 1, 0.8},
			} {
				gain := math.Pow(10, c.gainDB/20)
				x := rounded(changed(loud, func(v float64) float64 {
					return gain * max(-c.lower, min(c.upper, v))
				}), c.seed)
				var planted []made.Span
				for _, reaches := range []func(v float32) bool{
					func(v float32) bool { return float64(v) >= c.upper },
					func(v float32) bool { return float64(v) <= -c.lower },
				} {
					if tops := reaching(loud, 3, reaches); len(tops) >= 10 {
						planted = append(planted, tops...)
					}
				}
				if len(planted) == 0 {
					continue
				}
				got := clipsHeard(s.rateHz, x)
				tally.note(fmt.Sprintf("%g dB cut, lowered %g dB%s", overDB, -c.gainDB, c.name),
					found(got, Lowered, s.rateHz, planted), len(planted))
			}
		}
	}
	t.Log(tally)
	for _, row := range tally.rows {
		if row[0] != '0' {
			tally.least(t, row, 0.9)
		}
	}
}

// pressed is the drive d at which tanh presses a full-scale top together by db.
func pressed(db float64) float64 {
	low, high := 0.01, 50.0
	for range 60 {
		d := (low + high) / 2
		if 20*math.Log10(math.Tanh(d)/d) > -db {
			low = d
		} else {
			high = d
		}
	}
	return low
}

// TestSoftClipping drives speech into tanh and into the cubic 1.5x - 0.5x^3, then
// lowers it. The strength is by how much the highest top is pressed together. At 6
// dB the third harmonic of a tone as loud as that is a sixth of it (tanh), which a
// careful listener hears as a rasp in every loud word; at 9 dB anyone does.
func TestSoftClipping(t *testing.T) {
	tally := newTally("soft")
	for _, s := range cleanSounds() {
		if len(s.x) < 10*s.rateHz {
			continue
		}
		full := scaled(s.x, 0)
		try := func(name string, f func(v float64) float64) {
			got := clipsHeard(s.rateHz, rounded(scaled(changed(full, f), -4), 0))
			n := 0
			for _, c := range got {
				if c.Kind != Hard {
					n = 1
				}
			}
			tally.note(name, n, 1)
		}
		for _, db := range []float64{1, 2, 3, 4, 6, 9, 12} {
			d := pressed(db)
			try(fmt.Sprintf("tanh %g dB", db), func(v float64) float64 { return math.Tanh(d * v) })
		}
		for _, over := range []float64{1, 1.5, 2, 3} {
			try(fmt.Sprintf("cubic driven %.1f dB", 20*math.Log10(1.5*over)), func(v float64) float64 {
				v = max(-1, min(1, v*over))
				return 1.5*v - 0.5*v*v*v
			})
		}
	}
	t.Log(tally)
	tally.least(t, "tanh 6 dB", 0.6)
	tally.least(t, "tanh 9 dB", 0.9)
	tally.least(t, "tanh 12 dB", 1)
	tally.least(t, "cubic driven 7.0 dB", 0.9)
}

// limited turns x down ahead of every peak over 0.5, holds 10 ms and lets go
// within 80 ms. Between steps of 1 ms the gain moves in a straight line, so that no
// sample needs to be cut.
func limited(x []float32, rateHz int) []float32 {
	const ceiling = 0.5
	hop := rateHz / 1000
	need := make([]float64, len(x)/hop+2)
	for k := range need {
		need[k] = 1
		for _, v := range x[min(len(x), k*hop):min(len(x), (k+1)*hop)] {
			need[k] = min(need[k], ceiling/max(ceiling, math.Abs(float64(v))))
		}
	}
	gain, g := make([]float64, len(need)), 1.0
	for k := range gain {
		g += (1 - g) / 80
		for j := max(0, k-10); j < min(len(need), k+3); j++ {
			g = min(g, need[j])
		}
		gain[k] = g
	}
	out := make([]float32, len(x))
	for i, v := range x {
		k, part := i/hop, float64(i%hop)/float64(hop)
		out[i] = float32(float64(v) * (gain[k]*(1-part) + gain[k+1]*part))
	}
	return out
}

// throughMP3 codes x and decodes it again.
func throughMP3(t *testing.T, s sound, x []float32, kbps string) []float32 {
	t.Helper()
	dir := t.TempDir()
	wav, mp3 := filepath.Join(dir, "a.wav"), filepath.Join(dir, "a.mp3")
	if err := os.WriteFile(wav, made.WAV16(s.rateHz, x), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("ffmpeg", "-v", "error", "-i", wav, "-ar", "44100", "-b:a", kbps, mp3).CombinedOutput(); err != nil {
		t.Fatalf("code MP3: %v: %s", err, out)
	}
	b, err := exec.Command("ffmpeg", "-v", "error", "-i", mp3, "-f", "f32le", "-").Output()
	if err != nil {
		t.Fatalf("decode MP3: %v", err)
	}
	out := make([]float32, len(b)/4)
	for i := range out {
		out[i] = math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:]))
	}
	return out
}

// TestNoClipping wants nothing told of clean speech that was limited by up to
// 10 dB, coded as MP3, or drawn in 8 bits.
func TestNoClipping(t *testing.T) {
	_, err := exec.LookPath("ffmpeg")
	if err != nil {
		t.Log("ffmpeg is not installed: MP3 is left out")
	}
	var seconds float64
	for _, s := range cleanSounds() {
		clean := func(what string, rateHz int, x []float32) {
			seconds += float64(len(x)) / float64(rateHz)
			if got := clipsHeard(rateHz, x); len(got) > 0 {
				t.Errorf("%s, %s: %d places, the first %+v", s.name, what, len(got), got[0])
			}
		}
		for _, overDB := range []float64{-3, 0, 4} { // limited by 3, 6 and 10 dB
			x := limited(scaled(s.x, overDB), s.rateHz)
			what := fmt.Sprintf("limited by %g dB", overDB+6)
			clean(what, s.rateHz, rounded(x, 0))
			if err == nil && overDB >= 0 {
				clean(what+", MP3", 44100, throughMP3(t, s, x, "192k"))
			}
		}
		eight := changed(scaled(s.x, -0.01), func(v float64) float64 { return math.RoundToEven(127*v) / 128 })
		clean("8 bits", s.rateHz, eight)
		clean("8 bits, lowered", s.rateHz, rounded(changed(eight, func(v float64) float64 { return v / 2 }), 0))
	}
	t.Logf("%.0f s", seconds)
}
