package meter

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// TestAgainstOtherMeters compares every figure that ffmpeg (ebur128, astats) and
// SoX (stats) also measure, on made signals and, where LECTERN_RECORDINGS names
// a folder of recordings, on the speech in its narration folder.
func TestAgainstOtherMeters(t *testing.T) {
	for _, tool := range []string{"ffmpeg", "ffprobe", "sox"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("%s is not installed", tool)
		}
	}
	for _, rateHz := range []int{22050, 44100, 96000} {
		t.Run(fmt.Sprintf("made at %d Hz", rateHz), func(t *testing.T) {
			t.Parallel()
			compare(t, rateHz, syllables(rateHz))
		})
	}
	recordings := os.Getenv("LECTERN_RECORDINGS")
	if recordings == "" {
		t.Log("LECTERN_RECORDINGS is not set: no recording is compared")
		return
	}
	names, err := filepath.Glob(filepath.Join(recordings, "narration", "*"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no recordings in %s: %v", recordings, err)
	}
	for _, name := range names {
		t.Run(filepath.Base(name), func(t *testing.T) {
			t.Parallel()
			rateHz, x := decoded(t, name)
			compare(t, rateHz, x)
		})
	}
}

// syllables is 20 s of softened noise whose level wanders, with pauses.
func syllables(rateHz int) []float32 {
	var x []float32
	for i := range 80 {
		level := -12 + 10*math.Sin(float64(i)/9) - 6*float64(i%3)
		if i%11 == 10 {
			level = -75
		}
		x = append(x, noise(rateHz/4, math.Pow(10, level/20), uint32(i+1))...)
	}
	for range 2 { // leaves little near half the rate, where interpolators differ
		last := float32(0)
		for i, v := range x {
			last += 0.2 * (v - last)
			x[i] = last
		}
	}
	return x
}

func compare(t *testing.T, rateHz int, x []float32) {
	file := filepath.Join(t.TempDir(), "x.wav")
	if err := os.WriteFile(file, floatWAV(rateHz, x), 0o600); err != nil {
		t.Fatal(err)
	}
	loudness := measuredLoudness(rateHz, 1, x)
	truePeak := measuredTruePeak(rateHz, x)
	theirs := ebur128(t, file, "peak=true")
	stats, astats := soxStats(t, file), ffmpegAstats(t, file)

	within(t, "rms_dbfs (SoX)", measuredRMS(x), stats["RMS lev dB"], 0.02)
	within(t, "rms_dbfs (ffmpeg)", measuredRMS(x), astats["RMS level dB"], 0.001)
	within(t, "sample_peak_dbfs (SoX)", measuredPeak(x), stats["Pk lev dB"], 0.02)
	within(t, "sample_peak_dbfs (ffmpeg)", measuredPeak(x), astats["Peak level dB"], 0.001)
	// ffmpeg leaves the high-pass unscaled: it reads 0.05 LU high at 22.05 kHz.
	within(t, "integrated_lufs", loudness.IntegratedLUFS(), theirs.integrated, 0.1)
	compareRange(t, rateHz, x)
	// ffmpeg looks every 0.1 s only; so these two are compared on that grid.
	within(t, "momentary, every 0.1 s", maxOf(loudness, momentaryTenths), theirs.maxMomentary, 0.1)
	if len(x) >= 3*rateHz {
		within(t, "short-term, every 0.1 s", maxOf(loudness, shortTermTenths), theirs.maxShortTerm, 0.1)
	}
	const rounding = 1e-9 // the sums are taken in another order
	if loudness.MaxMomentaryLUFS() < maxOf(loudness, momentaryTenths)-rounding || loudness.MaxShortTermLUFS() < maxOf(loudness, shortTermTenths)-rounding {
		t.Errorf("every 10 ms finds less than every 100 ms: %v %v", loudness.MaxMomentaryLUFS(), loudness.MaxShortTermLUFS())
	}
	within(t, "true_peak_dbtp (ffmpeg)", truePeak, theirs.truePeak, 0.1)
	within(t, "true_peak_dbtp (SoX, 16 times)", truePeak, soxTruePeak(t, file, rateHz), 0.1)
}

// compareRange repeats x until it is long, as Tech 3342 calls less than a minute
// unstable; a repeated signal has the same range. The two round the ranks of the
// percentiles differently, by one window at most, which matters where speech
// meets a pause: so theirs must lie within 0.1 LU of what our ranks, moved by up
// to one, span.
func compareRange(t *testing.T, rateHz int, x []float32) {
	t.Helper()
	long := x
	for len(long) < 60*rateHz {
		long = append(long, x...)
	}
	padded := append(long, make([]float32, rateHz*3/2)...) // Tech 3342: 1.5 s of silence follow
	file := filepath.Join(t.TempDir(), "long.wav")
	if err := os.WriteFile(file, floatWAV(rateHz, padded), 0o600); err != nil {
		t.Fatal(err)
	}
	theirs := ebur128(t, file, "peak=none").lra

	m := measuredLoudness(rateHz, 1, long)
	sorted := m.rangeWindows()
	lowRank := int(math.Round(float64(len(sorted)-1) * 0.10))
	highRank := int(math.Round(float64(len(sorted)-1) * 0.95))
	at := func(rank int) DB { return lufs(sorted[max(0, min(rank, len(sorted)-1))]) }
	least, most := at(highRank-1)-at(lowRank+1), at(highRank+1)-at(lowRank-1)
	t.Logf("%-32s ours %8.3f, theirs %8.3f", "loudness_range_lu", float64(m.LoudnessRangeLU()), theirs)
	if !(theirs >= float64(least)-0.1 && theirs <= float64(most)+0.1) {
		t.Errorf("loudness_range_lu: theirs %.3f, ours %.3f (%.3f to %.3f one rank off)", theirs, float64(m.LoudnessRangeLU()), float64(least), float64(most))
	}
}

func maxOf(m *Loudness, tenths int) DB {
	windows := m.windows(m.tenths, tenths)
	if len(windows) == 0 {
		return Silent
	}
	return lufs(slices.Max(windows))
}

func within(t *testing.T, name string, ours DB, theirs, tolerance float64) {
	t.Helper()
	t.Logf("%-32s ours %8.3f, theirs %8.3f", name, float64(ours), theirs)
	if math.IsNaN(theirs) || math.Abs(float64(ours)-theirs) > tolerance {
		t.Errorf("%s: ours %.3f, theirs %.3f, allowed %g apart", name, float64(ours), theirs, tolerance)
	}
}

type r128 struct{ integrated, lra, maxMomentary, maxShortTerm, truePeak float64 }

// ebur128 reads ffmpeg's figures of every 0.1 s; the last ones hold for the file.
func ebur128(t *testing.T, file, options string) r128 {
	t.Helper()
	text := output(t, "ffmpeg", "-v", "error", "-i", file,
		"-af", "ebur128=metadata=1:"+options+",ametadata=print:file=-", "-f", "null", "-")
	r := r128{integrated: math.NaN(), lra: math.NaN(), truePeak: math.NaN(), maxMomentary: math.Inf(-1), maxShortTerm: math.Inf(-1)}
	for line := range strings.Lines(text) {
		key, value, _ := strings.Cut(strings.TrimSpace(line), "=")
		x, err := strconv.ParseFloat(value, 64)
		if err != nil {
			continue
		}
		switch key {
		case "lavfi.r128.I":
			r.integrated = x
		case "lavfi.r128.LRA":
			r.lra = x
		case "lavfi.r128.M":
			r.maxMomentary = max(r.maxMomentary, x)
		case "lavfi.r128.S":
			r.maxShortTerm = max(r.maxShortTerm, x)
		case "lavfi.r128.true_peaks_ch0": // linear
			r.truePeak = 20 * math.Log10(x)
		}
	}
	return r
}

func soxStats(t *testing.T, file string) map[string]float64 {
	t.Helper()
	return figures(output(t, "sox", file, "-n", "stats"), func(line string) (string, string) {
		at := strings.LastIndex(line, " ")
		return strings.TrimSpace(line[:at+1]), line[at+1:]
	})
}

func ffmpegAstats(t *testing.T, file string) map[string]float64 {
	t.Helper()
	text := output(t, "ffmpeg", "-hide_banner", "-nostats", "-i", file, "-af", "astats=measure_perchannel=none", "-f", "null", "-")
	return figures(text, func(line string) (string, string) {
		_, line, _ = strings.Cut(line, "] ")
		key, value, _ := strings.Cut(line, ": ")
		return key, value
	})
}

// soxTruePeak is the largest sample after SoX has interpolated 16 times.
func soxTruePeak(t *testing.T, file string, rateHz int) float64 {
	t.Helper()
	text := output(t, "sox", file, "-n", "gain", "-12", "rate", "-v", strconv.Itoa(16*rateHz), "stats")
	return figures(text, func(line string) (string, string) {
		at := strings.LastIndex(line, " ")
		return strings.TrimSpace(line[:at+1]), line[at+1:]
	})["Pk lev dB"] + 12
}

func figures(text string, split func(line string) (key, value string)) map[string]float64 {
	found := map[string]float64{}
	for line := range strings.Lines(text) {
		key, value := split(strings.TrimSpace(line))
		if x, err := strconv.ParseFloat(value, 64); err == nil {
			found[key] = x
		}
	}
	return found
}

func output(t *testing.T, name string, args ...string) string {
	t.Helper()
	text, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %q: %v\n%s", name, args, err, text)
	}
	return string(text)
}

// decoded reads a recording's first channel with ffmpeg.
func decoded(t *testing.T, file string) (rateHz int, x []float32) {
	t.Helper()
	text := output(t, "ffprobe", "-v", "error", "-select_streams", "a:0", "-show_entries", "stream=sample_rate", "-of", "csv=p=0", file)
	rateHz, err := strconv.Atoi(strings.TrimSpace(text))
	if err != nil {
		t.Fatal(err)
	}
	raw := output(t, "ffmpeg", "-v", "error", "-i", file, "-ac", "1", "-f", "f32le", "-")
	x = make([]float32, len(raw)/4)
	if err := binary.Read(strings.NewReader(raw), binary.LittleEndian, x); err != nil {
		t.Fatal(err)
	}
	return rateHz, x
}

// floatWAV is a mono WAV of 32-bit floats.
func floatWAV(rateHz int, x []float32) []byte {
	var b bytes.Buffer
	b.WriteString("RIFF")
	for _, field := range []any{
		uint32(36 + 4*len(x)), []byte("WAVEfmt "), uint32(16), uint16(3), uint16(1),
		uint32(rateHz), uint32(4 * rateHz), uint16(4), uint16(32), []byte("data"), uint32(4 * len(x)), x,
	} {
		_ = binary.Write(&b, binary.LittleEndian, field) // a bytes.Buffer takes everything
	}
	return b.Bytes()
}
