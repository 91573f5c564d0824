package pipeline

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"lectern/config"
	"lectern/pipeline/internal/made"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// TestCheckAgainstMPG123 holds that check reads on an MP3 what the same meters read
// on what mpg123 decodes of it: no more than 0.1 dB or LU apart. The MP3s are made
// by LAME, and found where LECTERN_RECORDINGS names a folder of recordings.
func TestCheckAgainstMPG123(t *testing.T) {
	worst := map[string]float64{}
	for i, c := range []struct {
		rateHz, channels int
		options          []string
	}{
		{44100, 1, []string{"-b", "192"}},
		{44100, 2, []string{"-b", "128", "-m", "j"}},
		{48000, 2, []string{"-V", "2"}},
		{48000, 1, []string{"--abr", "96"}},
		{32000, 1, []string{"-b", "64"}},
		{24000, 1, []string{"-V", "5"}},
	} {
		t.Run(fmt.Sprintf("%d Hz, %d channels, %v", c.rateHz, c.channels, c.options), func(t *testing.T) {
			tape := made.NewTape(uint64(40 + i))
			for range 6 {
				tape.Pause(0.9)
				tape.Phrase(-21, 2, made.S, made.F)
			}
			tape.Pause(2)
			tape.Room(-62)
			ch := [][]float32{tape.Float32()}
			if c.channels == 2 {
				other := tape.Float32()
				for i := range other {
					other[i] *= 0.7
				}
				ch = append(ch, other)
			}
			dir := t.TempDir()
			raw, mp3 := filepath.Join(dir, "raw.wav"), filepath.Join(dir, "03 The Ferry.mp3")
			if err := os.WriteFile(raw, made.WAVFloat(c.rateHz, ch...), 0o600); err != nil {
				t.Fatal(err)
			}
			outside(t, "lame", append(append([]string{"--quiet"}, c.options...), raw, mp3)...)
			wantAsMPG123(t, mp3, worst)
		})
	}
	if root := os.Getenv("LECTERN_RECORDINGS"); root != "" {
		found, err := filepath.Glob(filepath.Join(root, "*", "*.mp3"))
		if err != nil || len(found) == 0 {
			t.Fatalf("no MP3 among the recordings (%v)", err)
		}
		for _, mp3 := range found {
			t.Run(filepath.Base(mp3), func(t *testing.T) { wantAsMPG123(t, mp3, worst) })
		}
	} else {
		t.Log("LECTERN_RECORDINGS names no folder of recordings: no MP3 found, only made ones are compared")
	}
	for name, apart := range worst {
		t.Logf("%-20s at most %.2g apart", name, apart)
	}
}

// wantAsMPG123 checks mp3, and the WAV of floats that mpg123 makes of it.
func wantAsMPG123(t *testing.T, mp3 string, worst map[string]float64) {
	t.Helper()
	decoded := filepath.Join(t.TempDir(), "decoded.wav")
	outside(t, "mpg123", "-q", "-e", "f32", "-w", decoded, mp3)
	var ours, theirs report.Measured
	for path, m := range map[string]*report.Measured{mp3: &ours, decoded: &theirs} {
		c, err := Check(context.Background(), path, config.Default().Delivery)
		if err != nil {
			t.Fatal(err)
		}
		*m = c.Measured
	}
	for name, of := range map[string]func(report.Measured) meter.DB{
		"sample_peak_dbfs":    func(m report.Measured) meter.DB { return m.SamplePeakDBFS },
		"true_peak_dbtp":      func(m report.Measured) meter.DB { return m.TruePeakDBTP },
		"rms_dbfs":            func(m report.Measured) meter.DB { return m.RMSDBFS },
		"reading_rms_dbfs":    func(m report.Measured) meter.DB { return m.ReadingRMSDBFS },
		"integrated_lufs":     func(m report.Measured) meter.DB { return m.IntegratedLUFS },
		"loudness_range_lu":   func(m report.Measured) meter.DB { return m.LoudnessRangeLU },
		"max_short_term_lufs": func(m report.Measured) meter.DB { return m.MaxShortTermLUFS },
		"max_momentary_lufs":  func(m report.Measured) meter.DB { return m.MaxMomentaryLUFS },
		"noise_floor_dbfs":    func(m report.Measured) meter.DB { return m.NoiseFloorDBFS },
		"room_tone_dbfs":      func(m report.Measured) meter.DB { return m.RoomToneDBFS },
		"active_speech_dbov":  func(m report.Measured) meter.DB { return m.ActiveSpeechDBOV },
		"phrase_spread_db":    func(m report.Measured) meter.DB { return meter.DB(m.PhraseSpreadDB) },
	} {
		apart := math.Abs(float64(of(ours)) - float64(of(theirs)))
		worst[name] = max(worst[name], apart)
		if of(theirs).IsSilent() || !(apart <= 0.1) {
			t.Errorf("%s: check reads %.3f on the MP3, %.3f on what mpg123 decodes", name, float64(of(ours)), float64(of(theirs)))
		}
	}
	if apart := math.Abs(float64(ours.SpeechSharePct - theirs.SpeechSharePct)); !(apart <= 0.1) {
		t.Errorf("speech_share_pct: %.2f and %.2f", ours.SpeechSharePct, theirs.SpeechSharePct)
	}
	if apart := math.Abs(float64(ours.DurationS - theirs.DurationS)); !(apart <= 0.001) {
		t.Errorf("duration_s: %.4f and %.4f", ours.DurationS, theirs.DurationS)
	}
	if ours.HeadS == nil || theirs.HeadS == nil || *ours.HeadS != *theirs.HeadS || *ours.TailS != *theirs.TailS {
		t.Errorf("head and tail: %v %v, and %v %v", ours.HeadS, ours.TailS, theirs.HeadS, theirs.TailS)
	}
}
