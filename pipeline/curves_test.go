package pipeline

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// signed reads a byte as two's complement.
func signed(b byte) float64 { return float64(int8(b)) }

// TestColumns holds the collector to a plain look at the whole: every sample counts in
// just one column, in whatever blocks it comes.
func TestColumns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		frames := rapid.IntRange(1, 2000).Draw(t, "frames")
		x := white(frames*frameSamples, 0.3, rapid.Uint64().Draw(t, "seed"))
		c := newColumns(frames)
		for rest := x; len(rest) > 0; {
			n := min(len(rest), rapid.IntRange(1, 20000).Draw(t, "block"))
			c.add([][]float32{rest[:n]})
			rest = rest[n:]
		}
		n := min(600, frames)
		got := c.tell(meter.NewLoudness(sampleRateHz, 1), make([]float64, frames), make([]bool, frames))
		for name, b := range map[string][]byte{"low": got.Low, "high": got.High, "loudness": got.Loudness, "gain_db": got.GainDB} {
			if len(b) != n {
				t.Fatalf("%d columns of %s, want %d", len(b), name, n)
			}
		}
		if want := float64(frames) / 100 / float64(n); math.Abs(got.ColumnS-want) > 1e-12 {
			t.Fatalf("column_s %g, want %g", got.ColumnS, want)
		}
		for i := range n {
			low, high := math.Inf(1), math.Inf(-1)
			// The samples k with i <= k*n/len < i+1, as a fraction.
			for k := range x[i*len(x)/n : min(len(x), (i+1)*len(x)/n)] {
				v := float64(x[i*len(x)/n+k])
				low, high = min(low, v), max(high, v)
			}
			for _, v := range []struct{ got, want float64 }{{signed(got.Low[i]), low}, {signed(got.High[i]), high}} {
				if want := max(-127, min(127, 127*v.want)); math.Abs(v.got-want) > 0.5 {
					t.Fatalf("column %d of %d: %g, want %g to half a step", i, n, v.got, want)
				}
			}
		}
	})
}

// TestCurveBytes holds the bytes at their ends.
func TestCurveBytes(t *testing.T) {
	for _, c := range []struct {
		lufs meter.DB
		want byte
	}{{meter.Silent, 255}, {0, 0}, {3, 0}, {-20, 80}, {-20.12, 80}, {-20.13, 81}, {-63.5, 254}, {-90, 254}} {
		if got := loudnessByte(c.lufs); got != c.want {
			t.Errorf("%v LUFS is %d, want %d", c.lufs, got, c.want)
		}
	}
	for _, c := range []struct {
		v    float64
		want int8
	}{{0, 0}, {-0.4, 0}, {126.6, 127}, {200, 127}, {-127, -127}, {-200, -127}} {
		if got := int8(inByte(c.v)); got != c.want {
			t.Errorf("%g is %d, want %d", c.v, got, c.want)
		}
	}
}

// TestColumnMeans holds which frames count for a column.
func TestColumnMeans(t *testing.T) {
	frames := []float64{9, 1, 3, -5, 7, 8, 2}
	words := []bool{false, true, true, false, false, false, true}
	// Columns of frames 0 to 2, 2 to 4 and 4 to 7.
	got := columnMeans(3, frames, words)
	for i, want := range []float64{1, 3, 2} {
		if got[i] != want {
			t.Errorf("column %d: %g, want %g", i, got[i], want)
		}
	}
	if got := columnMeans(1, frames[3:6], words[3:6])[0]; math.Abs(got-10.0/3) > 1e-12 {
		t.Errorf("no words: %g, want the mean of all", got)
	}
}

// uneven is a made reading of about 40 s whose level wanders.
func uneven(seed uint64, roomDBFS float64) *made.Tape {
	tape := made.NewTape(seed)
	tape.Lively = true
	tape.Pause(1)
	for i := range 16 {
		tape.Phrase(-24+6*math.Sin(float64(i)), 1+0.35*float64(i%4), []made.Consonant{made.S, made.None}[i%2], made.None)
		tape.Pause(0.45 + 0.3*float64(i%3))
	}
	tape.Pause(2)
	tape.Room(roomDBFS)
	return tape
}

// TestCurves holds the curves of a finished file to what ffmpeg decodes and measures of
// it, and the gain to the levels of raw and finished file.
func TestCurves(t *testing.T) {
	x := uneven(41, -66).Float32()
	m, r := mastered(t, jobOf(t, made.WAV16(made.RateHz, x)))
	c := r.Curves
	if c == nil || len(c.Low) != 600 || math.Abs(c.ColumnS*600-float64(r.Finished.DurationS)) > 0.001 {
		t.Fatalf("curves %+v of %.3f s", c, float64(r.Finished.DurationS))
	}
	t.Run("gain", func(t *testing.T) { wantGain(t, m, c, x) })
	got := ffmpegDecoded(t, m.MP3, int(m.Written.Samples))
	low, high := make([]float64, 600), make([]float64, 600)
	for k, v := range got {
		i := k * 600 / len(got)
		low[i], high[i] = min(low[i], float64(v)), max(high[i], float64(v)) // each holds a sample of either sign
	}
	for i := range low {
		// Half a step, and what two decoders differ by.
		if math.Abs(signed(c.Low[i])-127*low[i]) > 0.52 || math.Abs(signed(c.High[i])-127*high[i]) > 0.52 {
			t.Errorf("column %d: %d to %d, ffmpeg has %.2f to %.2f", i, int8(c.Low[i]), int8(c.High[i]), 127*low[i], 127*high[i])
		}
	}
	ticks := shortTermTicks(t, got)
	told := 0
	for i, b := range c.Loudness {
		// The window about the middle of the column ends 1.5 s later; tick k at 0.1 k s.
		k := int(math.Round(((float64(i)+0.5)*c.ColumnS + 1.5) * 10))
		if k < 30 || k > len(got)/4410 {
			if b != 255 {
				t.Errorf("column %d: loudness %d, but three seconds do not fit about it", i, b)
			}
			continue
		}
		told++
		if lufs := -float64(b) / 4; math.Abs(lufs-ticks[k-1]) > 0.5 {
			t.Errorf("column %d: %.2f LUFS, ffmpeg says %.2f", i, lufs, ticks[k-1])
		}
	}
	if told < 500 {
		t.Errorf("loudness of %d columns only", told)
	}
}

// shortTermTicks is the short-term loudness that ffmpeg tells every 0.1 s, from 0.1 s on.
func shortTermTicks(t *testing.T, x []float32) []float64 {
	t.Helper()
	text := outsideIn(t, x, "ffmpeg", "-v", "error", "-f", "f32le", "-ar", "44100", "-ac", "1", "-i", "-",
		"-af", "ebur128=metadata=1,ametadata=print:file=-", "-f", "null", "-")
	var out []float64
	for line := range strings.Lines(string(text)) {
		if value, ok := strings.CutPrefix(strings.TrimSpace(line), "lavfi.r128.S="); ok {
			v, err := strconv.ParseFloat(value, 64)
			if err != nil {
				t.Fatalf("ffmpeg says %q", line)
			}
			out = append(out, v)
		}
	}
	if len(out) < len(x)/4410 {
		t.Fatalf("ffmpeg tells %d tenths of a second of %d", len(out), len(x)/4410)
	}
	return out
}

// wantGain compares each column that lies within words with how much louder the file is
// there than the raw; the limiter may take a part, and rounding an eighth of a dB.
func wantGain(t *testing.T, m *Master, c *report.Curves, raw []float32) {
	t.Helper()
	filtered := append([]float32(nil), raw...)
	newRumbleFilter(m.job.Settings.Level.RumbleHz).apply(filtered)
	x := decodedMP3(t, m.MP3)
	words := m.timeline.words()
	compared, differ := 0, map[byte]bool{}
	for i, b := range c.GainDB {
		from, to := i*len(x)/600, (i+1)*len(x)/600
		inside := true
		for k := from / frameSamples; k <= (to-1)/frameSamples; k++ {
			inside = inside && words[k]
		}
		if !inside {
			continue
		}
		for _, s := range m.plan.Segments {
			if s.Tone || s.At*frameSamples > from || s.End()*frameSamples < to {
				continue
			}
			at := from + (s.From-s.At)*frameSamples
			is, told := rmsDBFS(x[from:to])-rmsDBFS(filtered[at:at+to-from]), signed(b)/4
			if is > told+0.2 || is < told-m.limitDB-0.2 {
				t.Errorf("column %d: told %.2f dB, it is %.2f (limiter up to %.2f)", i, told, is, m.limitDB)
			}
			compared++
			differ[b] = true
		}
	}
	if compared < 200 || len(differ) < 4 {
		t.Errorf("%d columns compared, with %d gains", compared, len(differ))
	}
}
