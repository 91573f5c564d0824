package pipeline

import (
	"context"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lectern/config"
	"lectern/encode"
	"lectern/pipeline/internal/made"
	"lectern/pipeline/report"
	"lectern/pipeline/takes"
)

// jobOf writes raws into a folder and returns the job of making them one chapter.
func jobOf(t testing.TB, raws ...[]byte) Job {
	t.Helper()
	job := Job{
		Book: "A Ledger of Small Tides", Chapter: "03 The Ferry", Tags: encode.Tags{Track: "3"},
		Dir: t.TempDir(), Settings: config.Default().Chapter, Version: "test",
	}
	in := t.TempDir()
	for i, b := range raws {
		raw := Raw{Name: "03 The Ferry.wav", Role: takes.Chapter}
		if len(raws) > 1 {
			raw = Raw{Name: "03 The Ferry take " + string(rune('1'+i)) + ".wav", Role: takes.Take, Number: i + 1}
		}
		raw.Path = filepath.Join(in, raw.Name)
		if err := os.WriteFile(raw.Path, b, 0o444); err != nil {
			t.Fatal(err)
		}
		job.Raws = append(job.Raws, raw)
	}
	return job
}

// ferry is a made reading of about 12 s with uneven phrases, a click before the
// first word and a room of the given level.
func ferry(seed uint64, roomDBFS float64) *made.Tape {
	tape := made.NewTape(seed)
	tape.Lively = true
	tape.Pause(1.2)
	for i, level := range []float64{-24, -18, -29, -22, -26} {
		tape.Phrase(level, 1.2+0.3*float64(i%3), []made.Consonant{made.S, made.None}[i%2], made.None)
		tape.Pause(0.6 + 0.2*float64(i%2))
	}
	tape.Pause(1.5)
	tape.Room(roomDBFS)
	tape.Knock(0.3, -20, 3000, 0.002)
	return tape
}

func mastered(t *testing.T, job Job) (*Master, *report.Report) {
	t.Helper()
	m, err := Make(context.Background(), job)
	if err != nil {
		t.Fatal(err)
	}
	return m, m.Report(1, testTime, nil)
}

// decodedMP3 decodes with the project's own decoder.
func decodedMP3(t *testing.T, path string) []float32 {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	s, err := encode.Walk(f, st.Size())
	if err != nil {
		t.Fatal(err)
	}
	d, err := encode.NewDecoder(f, s)
	if err != nil {
		t.Fatal(err)
	}
	var out []float32
	dst := [][]float32{make([]float32, 8192)}
	for {
		n, err := d.Read(dst)
		out = append(out, dst[0][:n]...)
		if err == io.EOF {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// peakDBFS is the largest absolute sample.
func peakDBFS(x []float32) float64 {
	peak := 0.0
	for _, v := range x {
		peak = max(peak, math.Abs(float64(v)))
	}
	return 20 * math.Log10(peak)
}

// wantLevels checks a decoded master: peak in [-3.10, -3.00] dBFS and RMS
// between head and tail -20 within 0.3 (the client's figures).
func wantLevels(t *testing.T, who string, x []float32) {
	t.Helper()
	if len(x) < 3*sampleRateHz {
		t.Fatalf("%s: only %d samples", who, len(x))
	}
	peak, rms := peakDBFS(x), rmsDBFS(x[sampleRateHz/2:len(x)-2*sampleRateHz])
	if peak < -3.10 || peak > -3.00 {
		t.Errorf("%s: peak %.3f dBFS, want -3.10 to -3.00", who, peak)
	}
	if math.Abs(rms+20) > 0.3 {
		t.Errorf("%s: RMS between head and tail %.2f dBFS, want -20 within 0.3", who, rms)
	}
}

// wantOnly wants the job's folder to hold the named files and nothing else.
func wantOnly(t *testing.T, dir string, names ...string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, e.Name())
	}
	if !slices.Equal(got, names) {
		t.Errorf("the folder holds %v, want %v", got, names)
	}
}

func checkNamed(t *testing.T, checks []report.Check, name string) report.Check {
	t.Helper()
	for _, c := range checks {
		if c.Name == name {
			return c
		}
	}
	t.Fatalf("no check %s", name)
	return report.Check{}
}

// TestMake masters one reading from end to end and looks at it from outside.
func TestMake(t *testing.T) {
	raw := made.WAV16(made.RateHz, ferry(21, -66).Float32())
	job := jobOf(t, raw)
	var told []float64
	job.Progress = func(share float64) { told = append(told, share) }
	m, r := mastered(t, job)

	x := decodedMP3(t, m.MP3)
	wantLevels(t, "own decoder", x)
	if len(x)%frameSamples != 0 || int64(len(x)) != m.Written.Samples {
		t.Errorf("%d samples decoded, %d were fed", len(x), m.Written.Samples)
	}
	if zeros := longestZeros(x[:len(x)-frameSamples]); zeros > sampleRateHz/50 {
		t.Errorf("%d zeros in a row", zeros)
	}
	for _, c := range r.Checks {
		if !c.Pass {
			t.Errorf("check failed: %s", c)
		}
	}
	wantOnly(t, job.Dir, "before.mp3", "chapter.mp3")
	if got, err := os.ReadFile(job.Raws[0].Path); err != nil || !slices.Equal(got, raw) {
		t.Errorf("the raw was touched (%v)", err)
	}

	if len(told) < 20 || told[len(told)-1] != 1 {
		t.Errorf("progress told %d times, last %v, want 1 at the end", len(told), told[max(0, len(told)-1):])
	}
	if !slices.IsSorted(told) || told[0] <= 0 {
		t.Errorf("progress went back: %v", told)
	}

	// The same raw again gives the same file.
	again := jobOf(t, raw)
	m2, r2 := mastered(t, again)
	a, b := readFile(t, m.MP3), readFile(t, m2.MP3)
	if !slices.Equal(a, b) {
		t.Error("a second run gave another file")
	}
	r.Took, r2.Took = report.Took{}, report.Took{}
	j1, err1 := report.Marshal(r)
	j2, err2 := report.Marshal(r2)
	if err1 != nil || err2 != nil || string(j1) != string(j2) {
		t.Errorf("a second run gave another report (%v, %v)", err1, err2)
	}
	t.Run("ffmpeg", func(t *testing.T) { wantLevels(t, "ffmpeg", ffmpegDecoded(t, m.MP3, len(x))) })
}

// TestMakeKinds masters raws of other kinds: all must come out alike.
func TestMakeKinds(t *testing.T) {
	x := ferry(22, -68).Float32()
	half := func(x []float32, gain float32) []float32 {
		out := slices.Clone(x)
		for i := range out {
			out[i] *= gain
		}
		return out
	}
	dead := white(len(x), 1e-5, 3)
	loud := half(x, 8) // far over full scale: only float holds it
	for name, c := range map[string]struct {
		raw  []byte
		kind string // finding that must be told besides
	}{
		"stereo, both alike":   {made.WAV16(44100, x, x), ""},
		"stereo, left dead":    {made.WAV16(44100, dead, x), "dead_channel"},
		"stereo, inverted":     {made.WAV16(44100, x, half(x, -1)), "swapped_polarity"},
		"float over full size": {made.WAVFloat(44100, loud), ""},
		"8 kHz":                {made.WAV16(8000, everyNth(x, 5.5125)), ""},
		"96 kHz":               {made.WAV16(96000, everyNth(x, 0.459375)), ""},
	} {
		t.Run(name, func(t *testing.T) {
			m, r := mastered(t, jobOf(t, c.raw))
			wantLevels(t, "own decoder", decodedMP3(t, m.MP3))
			for _, name := range []string{"sample_peak", "rms", "head", "tail", "channels", "sample_rate", "bitrate"} {
				if check := checkNamed(t, r.Checks, name); !check.Pass {
					t.Errorf("check failed: %s", check)
				}
			}
			var kinds []string
			for _, f := range r.Raws[0].Findings {
				kinds = append(kinds, f.Kind)
			}
			want := []string{"click"} // the knock in the head
			if c.kind != "" {
				want = []string{c.kind, "click"}
			}
			if !slices.Equal(kinds, want) {
				t.Errorf("findings %v, want %v", kinds, want)
			}
		})
	}
}

// everyNth resamples x by straight lines between its samples: crude, but of
// speech enough is left.
func everyNth(x []float32, step float64) []float32 {
	out := make([]float32, int(float64(len(x)-1)/step))
	for i := range out {
		at := float64(i) * step
		k := int(at)
		out[i] = x[k] + float32(at-float64(k))*(x[k+1]-x[k])
	}
	return out
}

// TestMakeShort masters a single word of 0.2 s: it must come out, not over the
// ceiling, and within the limits for RMS or with a plain word why not.
func TestMakeShort(t *testing.T) {
	tape := made.NewTape(5)
	tape.Pause(1)
	tape.Phrase(-22, 0.2, made.None, made.None)
	tape.Pause(1.5)
	tape.Room(-70)
	m, r := mastered(t, jobOf(t, made.WAV16(44100, tape.Float32())))
	x := decodedMP3(t, m.MP3)
	if peak := peakDBFS(x); peak > -3 {
		t.Errorf("peak %.3f dBFS", peak)
	}
	if d := float64(len(x)) / sampleRateHz; d < 2.6 || d > 2.9 {
		t.Errorf("%.2f s, want 0.5 and 0.2 and 2", d)
	}
	rms := checkNamed(t, r.Checks, "rms")
	t.Logf("%s; limiter %.1f dB, overall %.1f dB, gave way %v, tries %d", rms, m.limitDB, m.plan.OverallDB, m.loudness.gaveWay, m.tries)
	if !rms.Pass && rms.Advice == "" {
		t.Error("no advice")
	}
	if m.plan.OverallDB > 30 {
		t.Errorf("raised by %.1f dB: the limiter crushed it", m.plan.OverallDB)
	}
}

// TestMakeRefuses wants a sentence for what cannot be mastered, and no file left.
func TestMakeRefuses(t *testing.T) {
	room := made.NewTape(1)
	room.Pause(6)
	room.Room(-50)
	good := made.WAV16(44100, ferry(24, -66).Float32())
	for name, c := range map[string]struct {
		raw  []byte
		role string
		says string
	}{
		"silence":    {made.WAV16(44100, make([]float32, 5*44100)), takes.Chapter, "No speech"},
		"noise":      {made.WAV16(44100, room.Float32()), takes.Chapter, "No speech"},
		"no sound":   {made.WAV16(44100, nil), takes.Chapter, "holds no sound"},
		"no WAV":     {[]byte("Dear reader, this is not a recording."), takes.Chapter, "."},
		"empty":      {nil, takes.Chapter, "."},
		"one sample": {made.WAV16(44100, []float32{0.5}), takes.Chapter, "No speech"},
		"pickup":     {good, takes.Pickup, "pickup"},
	} {
		t.Run(name, func(t *testing.T) {
			job := jobOf(t, c.raw)
			job.Raws[0].Role = c.role
			_, err := Make(context.Background(), job)
			var raw *RawError
			if !errors.As(err, &raw) {
				t.Fatalf("error %v, want a *RawError", err)
			}
			if !strings.Contains(raw.Says, c.says) || !strings.HasSuffix(raw.Says, ".") {
				t.Errorf("says %q, want a sentence with %q", raw.Says, c.says)
			}
			wantOnly(t, job.Dir)
			if got := readFile(t, job.Raws[0].Path); !slices.Equal(got, c.raw) {
				t.Error("the raw was touched")
			}
		})
	}
}

// TestMakeCanceled stops at many shares of the work: nothing may be left.
func TestMakeCanceled(t *testing.T) {
	raw := made.WAV16(44100, ferry(25, -66).Float32())
	for _, at := range []float64{0.01, 0.1, 0.25, 0.4, 0.6, 0.7, 0.9} {
		ctx, cancel := context.WithCancel(context.Background())
		job := jobOf(t, raw)
		job.Progress = func(share float64) {
			if share >= at {
				cancel()
			}
		}
		if _, err := Make(ctx, job); !errors.Is(err, context.Canceled) {
			t.Errorf("stopped at %g: error %v, want context.Canceled", at, err)
		}
		wantOnly(t, job.Dir)
		cancel()
	}
}

// TestMakeNoisyRoom wants a raw too noisy to meet the limit to be mastered all
// the same, eased as far as the settings allow, and judged to fail.
func TestMakeNoisyRoom(t *testing.T) {
	m, r := mastered(t, jobOf(t, made.WAV16(44100, ferry(26, -45).Float32())))
	wantLevels(t, "own decoder", decodedMP3(t, m.MP3))
	if c := checkNamed(t, r.Checks, "room_tone"); c.Pass || c.Advice == "" {
		t.Errorf("%s: pass %v, advice %q", c, c.Pass, c.Advice)
	}
	if r.Verdict != report.Fail {
		t.Errorf("verdict %s", r.Verdict)
	}
	if got := m.loudness.easeDB; got != m.job.Settings.Level.EaseMaxDB {
		t.Errorf("eased by %.2f dB, %g are allowed", got, m.job.Settings.Level.EaseMaxDB)
	}
	if !slices.ContainsFunc(r.Finished.Findings, func(f report.Finding) bool { return f.Kind == "noise_left" && *f.DB > 0 }) {
		t.Error("no finding tells how much is missing")
	}
}

func readFile(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
