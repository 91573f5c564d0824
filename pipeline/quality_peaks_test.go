package pipeline

import (
	"fmt"
	"maps"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/meter"
	"lectern/pipeline/resample/sinc"
)

const peaksAim = "4 peaks"

// peaks is aim 4 on a reading: limited by 8 dB as it is, and mastered to an MP3.
func (q *quality) peaks(r qualityReading) {
	over := scaledTo(r.x, -3+8)
	q.underCeiling(over, -3, r.name+" limited by 8 dB")

	m, _ := mastered(q.t, jobOf(q.t, made.WAVFloat(sampleRateHz, r.x)))
	x, who := decodedMP3(q.t, m.MP3), "own decoder"
	if _, err := exec.LookPath("ffmpeg"); err == nil {
		x, who = ffmpegDecoded(q.t, m.MP3, len(x)), "ffmpeg"
	}
	wantPeak, wantRMS := -3.0, -20.0
	for _, g := range m.loudness.gaveWay {
		switch g.GaveWay {
		case "peak":
			wantPeak += float64(g.DB)
		case "rms":
			wantRMS += float64(g.DB)
			// 0.002 dB is the grain of the search for the gain.
			q.within(peaksAim, "RMS given way by, dB", softerDB-0.002, denserDB+0.002, float64(g.DB), r.name)
		}
	}
	body := x[seconds(0.5)*frameSamples : len(x)-seconds(2)*frameSamples]
	q.within(peaksAim, "decoded peak off -3 or what gave way, dB", -0.1, 0, peakDBFS(x)-wantPeak, r.name)
	q.within(peaksAim, "decoded RMS off -20 or what gave way, dB", -0.3, 0.3, rmsDBFS(body)-wantRMS, r.name)
	q.t.Logf("%s: %s plays a peak of %.3f dBFS, RMS %.2f, true peak %.2f; limited by %.1f dB, %d tries, gave way %v",
		r.name, who, peakDBFS(x), rmsDBFS(body), truePeakDBTP(x), m.limitDB, m.tries, m.loudness.gaveWay)
}

// limiter is aim 4 on made sounds.
func (q *quality) limiter() {
	for _, hz := range []float64{100, 1000} {
		thd, _ := limitedTone(hz)
		q.most(peaksAim, fmt.Sprintf("harmonics of %g Hz 6 dB over the ceiling, dB", hz), -60, thd, "tone")
	}
	sounds := betweenSamples()
	for _, name := range slices.Sorted(maps.Keys(sounds)) {
		q.underCeiling(sounds[name], -3, name)
	}
	for _, hz := range []float64{60, 100, 300, 1000, 2000, 3000} {
		for _, rampS := range []float64{0, 0.001, 0.003, 0.01} {
			x := bursts(hz, rampS, 5)
			name := fmt.Sprintf("bursts of %g Hz, %g ms", hz, 1000*rampS)
			q.most(peaksAim, "made above 5 kHz on tone bursts, dBFS", -60, clickDBFS(x, limited(x, -3, 4096)), name)
			q.underCeiling(x, -3, name)
		}
	}
}

// underCeiling limits x and measures it by the product's meter and, where they are
// installed, by ffmpeg and SoX.
func (q *quality) underCeiling(x []float32, ceilingDBFS float64, name string) {
	q.t.Helper()
	y := limited(x, ceilingDBFS, 4096)
	samples, top := 0, float32(dbToAmplitude(ceilingDBFS))
	for _, v := range y {
		if v > top || v < -top {
			samples++
		}
	}
	q.most(peaksAim, "samples over the limiter's ceiling", 0, float64(samples), name)
	heard := truePeaks(q.t, y)
	for _, who := range slices.Sorted(maps.Keys(heard)) {
		q.most(peaksAim, "true peak over the limiter's ceiling, by "+who+", dB", 0.5, heard[who]-ceilingDBFS, name)
	}
}

// betweenSamples are sounds whose largest values lie between their samples, 6 dB over
// a ceiling of -3 dBFS: tones in their worst phase, white noise, and the pattern that
// makes the most of interpolation.
func betweenSamples() map[string][]float32 {
	out := map[string][]float32{}
	for _, part := range []float64{1. / 4, 1. / 6, 1. / 8, 1. / 3, 0.2, 0.37, 0.42} {
		x := make([]float32, sampleRateHz)
		for n := range x {
			x[n] = float32(dbToAmplitude(3) * math.Sin(2*math.Pi*part*(float64(n)+0.5)) * fade(n, len(x), sampleRateHz/100))
		}
		out[fmt.Sprintf("tone at %.2f of the rate", part)] = x
		short := append(make([]float32, 1000), x[:400]...)
		out[fmt.Sprintf("burst at %.2f of the rate", part)] = append(short, make([]float32, 1000)...)
	}
	out["white noise"] = scaledTo(white(sampleRateHz, 0.1, 3), 3)
	x := make([]float32, 4000)
	for k := range 12 { // signs as those of a sinc half way between two samples
		v := float32(dbToAmplitude(-3.2) * float64(1-2*(k%2)))
		x[2000-k], x[2001+k] = v, v
	}
	out["alternating signs"] = x
	return out
}

// fade is 0 at both ends of n samples and 1 over ramp samples inside.
func fade(i, n, ramp int) float64 {
	edge := min(i, n-1-i)
	if edge >= ramp {
		return 1
	}
	return (1 - math.Cos(math.Pi*float64(edge)/float64(ramp))) / 2
}

// bursts are tones of 200 ms each 400 ms, of a peak in dBFS, begun and ended over
// rampS seconds; 0 is a hard edge.
func bursts(hz, rampS, peakDBFS float64) []float32 {
	const length, each = sampleRateHz / 5, sampleRateHz * 2 / 5
	x := make([]float32, 5*each)
	for at := each / 4; at+length <= len(x); at += each {
		for i, v := range sine(length, hz, dbToAmplitude(peakDBFS)) {
			x[at+i] = v * float32(fade(i, length, int(rampS*sampleRateHz)))
		}
	}
	return x
}

// clickDBFS is the most that y has above 5 kHz and x has not, in windows of 5 ms, as
// the peak of a tone of that power.
func clickDBFS(x, y []float32) float64 {
	in, out := above5kHz(x), above5kHz(y)
	const window = sampleRateHz / 200
	most := 1e-20
	for at := 0; at+window <= len(in); at += window / 5 {
		var more float64
		for i := at; i < at+window; i++ {
			more += out[i]*out[i] - in[i]*in[i]
		}
		most = max(most, 2*more/window)
	}
	return 10 * math.Log10(most)
}

// above5kHz leaves out what lies under 4.4 kHz, by 100 dB, and keeps what lies over
// 5.5.
func above5kHz(x []float32) []float64 {
	const half = 128
	low := sinc.NewLowPass(5000./sampleRateHz, half, 100)
	var taps [2*half + 1]float64
	for k := range taps {
		taps[k] = low.At(float64(k - half))
	}
	out := make([]float64, len(x))
	for i := range out {
		sum := float64(x[i])
		for k := max(-half, i-len(x)+1); k <= min(half, i); k++ {
			if v := x[i-k]; v != 0 {
				sum -= float64(v) * taps[k+half]
			}
		}
		out[i] = sum
	}
	return out
}

// scaledTo brings the largest sample of x to a peak in dBFS.
func scaledTo(x []float32, dbfs float64) []float32 {
	out := make([]float32, len(x))
	apply(out, x, 0, len(x), dbfs-peakDBFS(x))
	return out
}

func truePeakDBTP(x []float32) float64 {
	m := meter.NewTruePeak(sampleRateHz)
	m.Add(x)
	return float64(m.DBTP())
}

// truePeaks are those of x by all who can be asked. SoX looks at 16 points a sample.
func truePeaks(t *testing.T, x []float32) map[string]float64 {
	t.Helper()
	out := map[string]float64{"own meter": truePeakDBTP(x)}
	path := filepath.Join(t.TempDir(), "limited.wav")
	if err := os.WriteFile(path, made.WAVFloat(sampleRateHz, x), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := exec.LookPath("ffmpeg"); err == nil {
		_, out["ffmpeg"] = ffmpegLoudness(t, path)
	}
	if _, err := exec.LookPath("sox"); err == nil {
		out["SoX"] = soxTruePeak(t, path)
	}
	return out
}

// ffmpegLoudness is what ffmpeg measures of a file: integrated loudness and true peak.
func ffmpegLoudness(t *testing.T, path string) (lufs, dbtp float64) {
	t.Helper()
	text := outside(t, "ffmpeg", "-v", "error", "-i", path, "-af", "ebur128=metadata=1:peak=true,ametadata=print:file=-", "-f", "null", "-")
	top := 0.0
	for line := range strings.Lines(string(text)) {
		key, value, _ := strings.Cut(strings.TrimSpace(line), "=")
		v, err := strconv.ParseFloat(value, 64)
		switch {
		case err != nil:
		case key == "lavfi.r128.I":
			lufs = v
		case key == "lavfi.r128.true_peaks_ch0":
			top = max(top, v)
		}
	}
	return lufs, 20 * math.Log10(top)
}

// soxTruePeak is the largest value of a file as SoX interpolates it.
func soxTruePeak(t *testing.T, path string) float64 {
	t.Helper()
	text, err := exec.Command("sox", path, "-n", "gain", "-12", "rate", "-v", strconv.Itoa(16*sampleRateHz), "stats").CombinedOutput()
	if err != nil {
		t.Fatalf("sox: %v %s", err, text)
	}
	for line := range strings.Lines(string(text)) {
		if f := strings.Fields(line); len(f) == 4 && f[0] == "Pk" {
			db, err := strconv.ParseFloat(f[3], 64)
			if err != nil {
				t.Fatalf("sox says %q", line)
			}
			return db + 12
		}
	}
	t.Fatalf("sox tells no peak: %s", text)
	return 0
}
