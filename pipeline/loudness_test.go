package pipeline

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"

	"lectern/config"
	"lectern/pipeline/internal/made"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// byLoudness sets a delivery by loudness, with the limits 3 LU to either side.
func byLoudness(lufs, dbtp float64) func(*config.Chapter) {
	return func(c *config.Chapter) {
		d := &c.Delivery
		d.LoudnessAimLUFS, d.LoudnessMinLUFS, d.LoudnessMaxLUFS, d.TruePeakMaxDBTP = lufs, lufs-3, lufs+3, dbtp
	}
}

// TestDeliveryByLoudness masters readings to -18 LUFS under -1 dBTP and to -16 under
// -3, and measures what plays: by the product's meters, which the published cases of
// BS.1770 and Tech 3341 prove, and by ffmpeg. Loudness lies within 0.3 LU of its aim
// or gave way, the true peak is never over its ceiling, and where the limiter was at
// work it is within 0.15 dB under it.
func TestDeliveryByLoudness(t *testing.T) {
	readings := []qualityReading{{name: "made, 12 s", x: ferry(21, -66).Float32()}}
	if root := os.Getenv("LECTERN_RECORDINGS"); root != "" {
		readings = append(readings, qualityReadings(t)...)
	} else {
		t.Log("LECTERN_RECORDINGS names no folder of recordings: only a made reading is mastered")
	}
	for _, r := range readings {
		for _, aim := range []struct{ lufs, dbtp float64 }{{-18, -1}, {-16, -3}} {
			t.Run(fmt.Sprintf("%s to %g LUFS under %g dBTP", r.name, aim.lufs, aim.dbtp), func(t *testing.T) {
				job := jobOf(t, made.WAVFloat(sampleRateHz, r.x))
				byLoudness(aim.lufs, aim.dbtp)(&job.Settings)
				m, rep := mastered(t, job)
				want := aim.lufs
				for _, g := range m.loudness.gaveWay {
					if g.GaveWay != "loudness" || g.DB > 0 || g.DB < softerDB {
						t.Errorf("gave way: %v", g)
					}
					want += float64(g.DB)
				}
				x := decodedMP3(t, m.MP3)
				wantLoudness(t, "own decoder and meters", m, aim.dbtp, want, ownLoudness(x), truePeakDBTP(x))
				if _, err := exec.LookPath("ffmpeg"); err == nil {
					x := ffmpegDecoded(t, m.MP3, len(x))
					wantLoudness(t, "ffmpeg, own meters", m, aim.dbtp, want, ownLoudness(x), truePeakDBTP(x))
					lufs, dbtp := ffmpegLoudness(t, m.MP3)
					wantLoudness(t, "ffmpeg", m, aim.dbtp, want, lufs, dbtp)
				}
				wantChecks(t, rep, aim.lufs)
				t.Logf("%.2f LUFS, %.3f dBTP, limited by %.1f dB, %d tries, gave way %v", ownLoudness(x), truePeakDBTP(x), m.limitDB, m.tries, m.loudness.gaveWay)
			})
		}
	}
}

func ownLoudness(x []float32) float64 {
	m := meter.NewLoudness(sampleRateHz, 1)
	m.Add([][]float32{x})
	return float64(m.IntegratedLUFS())
}

func wantLoudness(t *testing.T, who string, m *Master, maxDBTP, wantLUFS, lufs, dbtp float64) {
	t.Helper()
	if math.Abs(lufs-wantLUFS) > 0.3 {
		t.Errorf("%s: %.2f LUFS, want %.2f within 0.3", who, lufs, wantLUFS)
	}
	if dbtp > maxDBTP {
		t.Errorf("%s: true peak %.3f dBTP, over %g", who, dbtp, maxDBTP)
	}
	if m.limitDB > 0.02 && dbtp < maxDBTP-0.15 {
		t.Errorf("%s: limited by %.1f dB, yet the true peak is %.3f dBTP, more than 0.15 under %g", who, m.limitDB, dbtp, maxDBTP)
	}
}

// wantChecks wants true_peak and loudness judged, and passed, in place of peak and RMS.
func wantChecks(t *testing.T, r *report.Report, aimLUFS float64) {
	t.Helper()
	for _, name := range []string{"true_peak", "loudness"} {
		if c := checkNamed(t, r.Checks, name); !c.Pass {
			t.Errorf("fails: %s", c)
		}
	}
	if limit := checkNamed(t, r.Checks, "loudness").Limit; float64(*limit.Min) != aimLUFS-3 || float64(*limit.Max) != aimLUFS+3 {
		t.Errorf("loudness is judged against %s", limit)
	}
	for _, c := range r.Checks {
		if c.Name == "sample_peak" || c.Name == "rms" {
			t.Errorf("%s is judged too", c.Name)
		}
	}
}

// TestLoudnessGivesWay masters a reading that needs 6 dB of limiting where 3 are
// allowed: it is lowered, says by how much, and by no more than 2 dB.
func TestLoudnessGivesWay(t *testing.T) {
	job := jobOf(t, made.WAVFloat(sampleRateHz, ferry(21, -66).Float32()))
	byLoudness(-16, -3)(&job.Settings)
	job.Settings.Level.LimitMaxDB = 3
	m, rep := mastered(t, job)
	if len(m.loudness.gaveWay) != 1 || m.loudness.gaveWay[0].GaveWay != "loudness" {
		t.Fatalf("gave way %v, want loudness once", m.loudness.gaveWay)
	}
	gave := float64(m.loudness.gaveWay[0].DB)
	if gave > -0.05 || gave < softerDB-0.05 {
		t.Errorf("gave way by %.2f dB, want down by no more than 2", gave)
	}
	x := decodedMP3(t, m.MP3)
	wantLoudness(t, "own meters", m, -3, -16+gave, ownLoudness(x), truePeakDBTP(x))
	i := slices.IndexFunc(rep.Steps, func(s report.Step) bool { return s.Name == "normalize" })
	if got := rep.Steps[i].GaveWay; !slices.Equal(got, m.loudness.gaveWay) {
		t.Errorf("the report tells %v", got)
	}
	if _, ok := rep.Steps[i].Figures["ceiling_dbtp"]; !ok {
		t.Errorf("the report tells no ceiling of the true peak: %v", rep.Steps[i].Figures)
	}
}

// TestLoudnessOfWhatIsTooShort masters a word shorter, with its head and tail, than
// the block that loudness is made of: it has none, and the check says so.
func TestLoudnessOfWhatIsTooShort(t *testing.T) {
	tape := made.NewTape(5)
	tape.Pause(1)
	tape.Phrase(-24, 0.15, made.None, made.None)
	tape.Pause(1)
	tape.Room(-70)
	job := jobOf(t, made.WAVFloat(sampleRateHz, tape.Float32()))
	byLoudness(-18, -1)(&job.Settings)
	d := &job.Settings.Delivery
	d.HeadS, d.HeadMinS, d.TailS, d.TailMinS = 0.1, 0.05, 0.1, 0.05
	m, rep := mastered(t, job)
	x := decodedMP3(t, m.MP3)
	if len(x) >= loudnessBlock*frameSamples {
		t.Fatalf("%d samples: not too short", len(x))
	}
	if peak := peakDBFS(x); peak > -1 || peak < -20 || m.limitDB > 8.5 {
		t.Errorf("peak %.2f dBFS, limited by %.1f dB", peak, m.limitDB)
	}
	if c := checkNamed(t, rep.Checks, "loudness"); c.Pass || c.Measured != nil || c.Advice == "" {
		t.Errorf("loudness of a short file: %s, %q", c, c.Advice)
	}
}

// TestLoudnessForetold compares the loudness that is foretold for a reading, without
// gain and limited, with what its samples measure. By frames, the limiter is only
// foretold roughly.
func TestLoudnessForetold(t *testing.T) {
	rec := recorded(t, ferry(21, -66).Float32())
	d := config.Default().Delivery
	byLoud := config.Default().Chapter
	byLoudness(-18, -1)(&byLoud)
	tl := trimWhole([]*recording{rec}, d.HeadS, d.TailS, 1.5)
	if w, err := weigh(tl, []*recording{rec}, d); w != nil || err != nil {
		t.Errorf("weighed though delivery is by RMS (%v)", err)
	}
	weighted, err := weigh(tl, []*recording{rec}, byLoud.Delivery)
	if err != nil || len(weighted) != tl.frames() {
		t.Fatalf("%d frames weighed of %d (%v)", len(weighted), tl.frames(), err)
	}
	p := &prediction{t: tl, weighted: weighted, gain: slices.Repeat([]float64{1}, tl.frames())}
	for _, c := range []struct{ overallDB, ceilingDBFS, within float64 }{{0, 0, 0.01}, {-8, 0, 0.01}, {12, -6, 0.4}} {
		p.ceiling = dbToAmplitude(c.ceilingDBFS)
		plan := Plan{Segments: tl.segments, GainDB: make([]float32, tl.frames()+1), OverallDB: c.overallDB, CeilingDBFS: c.ceilingDBFS}
		got, want := p.integrated(c.overallDB), ownLoudness(rendered(t, plan, []*recording{rec}, 4096))
		if math.Abs(got-want) > c.within {
			t.Errorf("at %+g dB under %g dBFS: %.3f LUFS foretold, %.3f measured", c.overallDB, c.ceilingDBFS, got, want)
		}
		t.Logf("at %+g dB under %g dBFS: %.3f LUFS foretold, %.3f measured", c.overallDB, c.ceilingDBFS, got, want)
	}
}

// TestCheckByLoudness wants check to judge by the settings it is given.
func TestCheckByLoudness(t *testing.T) {
	path := filepath.Join(t.TempDir(), "03 The Ferry.wav")
	if err := os.WriteFile(path, made.WAVFloat(sampleRateHz, scaledTo(ferry(21, -66).Float32(), -0.5)), 0o600); err != nil {
		t.Fatal(err)
	}
	settings := config.Default().Chapter
	byLoudness(-18, -1)(&settings)
	c, err := Check(t.Context(), path, settings.Delivery)
	if err != nil {
		t.Fatal(err)
	}
	if peak := checkNamed(t, c.Checks, "true_peak"); peak.Pass || peak.Limit.Unit != "dBTP" {
		t.Errorf("a peak of -0.5 dBFS: %s", peak)
	}
	loudness := checkNamed(t, c.Checks, "loudness")
	if got := float64(c.Measured.IntegratedLUFS); loudness.Pass != (got >= -21 && got <= -15) || loudness.Limit.Unit != "LUFS" {
		t.Errorf("%.2f LUFS: %s", got, loudness)
	}
}
