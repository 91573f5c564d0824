package meter

import (
	"encoding/binary"
	"math"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// builtLibrary compiles the program that asks libebur128, "" where that cannot be.
func builtLibrary(t *testing.T) string {
	t.Helper()
	if _, err := exec.LookPath("cc"); err != nil {
		t.Log("there is no C compiler: libebur128 is left out")
		return ""
	}
	program := filepath.Join(t.TempDir(), "ebur128")
	if text, err := exec.Command("cc", "-O2", "-o", program, "testdata/ebur128.c", "-lebur128", "-lm").CombinedOutput(); err != nil {
		t.Logf("libebur128 is left out: it cannot be built with (package libebur128-dev)\n%s", text)
		return ""
	}
	return program
}

// askLibrary returns the figures that testdata/ebur128.c prints, of loudness or of
// peaks.
func askLibrary(t *testing.T, program, what string, s sound) map[string]float64 {
	t.Helper()
	cmd := exec.Command(program, what, strconv.Itoa(s.rateHz), strconv.Itoa(len(s.ch)))
	cmd.Stdin = interleaved(s)
	text, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("libebur128: %v\n%s", err, text)
	}
	return figures(string(text), func(line string) (string, string) {
		key, value, _ := strings.Cut(line, " ")
		return key, value
	})
}

// tick is what ffmpeg's ebur128 says after a tenth of a second.
type tick struct{ integrated, momentary, shortTerm, lra float64 }

func ebur128(t *testing.T, file string) []tick {
	t.Helper()
	text := output(t, "ffmpeg", "-v", "error", "-i", file, "-af", "ebur128=metadata=1,ametadata=print:file=-", "-f", "null", "-")
	var ticks []tick
	for line := range strings.Lines(text) {
		key, value, _ := strings.Cut(strings.TrimSpace(line), "=")
		x, err := strconv.ParseFloat(value, 64)
		if key == "lavfi.r128.M" { // the first of each tenth
			ticks = append(ticks, tick{})
		}
		if err != nil || len(ticks) == 0 {
			continue
		}
		if math.IsNaN(x) { // its running sum falls below zero in silence after sound
			x = math.Inf(-1)
		}
		now := &ticks[len(ticks)-1]
		switch key {
		case "lavfi.r128.M":
			now.momentary = x
		case "lavfi.r128.S":
			now.shortTerm = x
		case "lavfi.r128.I":
			now.integrated = x
		case "lavfi.r128.LRA":
			now.lra = x
		}
	}
	return ticks
}

func largestOf(ticks []tick, of func(tick) float64) float64 {
	top := math.Inf(-1)
	for _, t := range ticks {
		top = max(top, of(t))
	}
	return top
}

// ffmpegTruePeak is the largest of all channels; ffmpeg tells it so far, linear.
func ffmpegTruePeak(t *testing.T, file string) float64 {
	t.Helper()
	text := output(t, "ffmpeg", "-v", "error", "-i", file, "-af", "ebur128=metadata=1:peak=true,ametadata=print:file=-", "-f", "null", "-")
	top := 0.0
	for line := range strings.Lines(text) {
		key, value, _ := strings.Cut(strings.TrimSpace(line), "=")
		if x, err := strconv.ParseFloat(value, 64); err == nil && strings.HasPrefix(key, "lavfi.r128.true_peaks_ch") {
			top = max(top, x)
		}
	}
	return 20 * math.Log10(top)
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

// soxStats are SoX's figures of all channels together.
func soxStats(t *testing.T, file string, effects ...string) map[string]float64 {
	t.Helper()
	args := append([]string{file, "-n"}, effects...)
	return figures(output(t, "sox", append(args, "stats")...), func(line string) (string, string) {
		const name = 12 // letters of the longest name
		if len(line) < name {
			return "", ""
		}
		value, _, _ := strings.Cut(strings.TrimSpace(line[name:]), " ")
		return strings.TrimSpace(line[:name]), value
	})
}

// soxTruePeak is the largest sample after SoX has interpolated to twice as many
// points as we look at.
func soxTruePeak(t *testing.T, file string, rateHz int) float64 {
	t.Helper()
	points := 16
	if rateHz >= 96000 {
		points = 8
	}
	return soxStats(t, file, "gain", "-12", "rate", "-v", strconv.Itoa(points*rateHz))["Pk lev dB"] + 12
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

// decoded reads a recording with ffmpeg, at its own rate.
func decoded(t *testing.T, file string) sound {
	t.Helper()
	text := output(t, "ffprobe", "-v", "error", "-select_streams", "a:0", "-show_entries", "stream=sample_rate,channels", "-of", "csv=p=0", file)
	rate, channels, _ := strings.Cut(strings.TrimSpace(text), ",")
	rateHz, err := strconv.Atoi(rate)
	if err != nil {
		t.Fatal(err)
	}
	count, err := strconv.Atoi(channels)
	if err != nil {
		t.Fatal(err)
	}
	raw := []byte(output(t, "ffmpeg", "-v", "error", "-i", file, "-f", "f32le", "-"))
	s := sound{rateHz: rateHz, ch: make([][]float32, count)}
	for i := 0; i+4 <= len(raw); i += 4 {
		c := i / 4 % count
		s.ch[c] = append(s.ch[c], math.Float32frombits(binary.LittleEndian.Uint32(raw[i:])))
	}
	return s
}
