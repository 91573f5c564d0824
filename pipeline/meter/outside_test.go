package meter

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/resample/sinc"
)

// TestAgainstOtherMeters compares every figure that a program nobody here wrote
// also measures: ffmpeg (ebur128, astats), libebur128 and SoX (stats); at most
// 0.1 dB or LU apart. The sounds are random ones, 40 of them (10 with
// -short, 200 where LECTERN_LONG is 1), and all recordings in the folder that LECTERN_RECORDINGS
// names. With -v it prints the largest differences.
func TestAgainstOtherMeters(t *testing.T) {
	for _, tool := range []string{"ffmpeg", "ffprobe", "sox"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("%s is not installed", tool)
		}
	}
	library := builtLibrary(t)
	count := 40
	if testing.Short() {
		count = 10
	}
	if os.Getenv("LECTERN_LONG") == "1" {
		count = 200
	}
	t.Run("random sounds", func(t *testing.T) {
		var worst differences
		t.Run("all", func(t *testing.T) {
			for seed := range uint64(count) {
				t.Run(fmt.Sprint(seed), func(t *testing.T) {
					t.Parallel()
					comparison{T: t, worst: &worst, library: library}.all(randomSound(seed))
				})
			}
		})
		t.Logf("%d random sounds\n%s", count, worst.table())
	})
	t.Run("recordings", func(t *testing.T) {
		root := os.Getenv("LECTERN_RECORDINGS")
		if root == "" {
			t.Skip("LECTERN_RECORDINGS names no folder of recordings: none is compared")
		}
		var names []string
		for _, folder := range []string{"narration", "noise", "repeats"} {
			found, err := filepath.Glob(filepath.Join(root, folder, "*"))
			if err != nil || len(found) == 0 {
				t.Fatalf("no recordings in %s (%v)", folder, err)
			}
			names = append(names, found...)
		}
		var worst differences
		t.Run("all", func(t *testing.T) {
			for _, name := range names {
				t.Run(filepath.Base(name), func(t *testing.T) {
					t.Parallel()
					c, s := comparison{T: t, worst: &worst, library: library}, decoded(t, name)
					c.all(s)
					c.truePeakAsItIs(s)
				})
			}
		})
		t.Logf("%d recordings\n%s", len(names), worst.table())
	})
}

// apart is how far two meters may lie apart, in dB or LU.
const apart = 0.1

// differences are the largest seen, by figure and program.
type differences struct {
	mutex sync.Mutex
	seen  map[string]difference
}

type difference struct {
	largest float64
	name    string
	sounds  int
}

func (d *differences) note(figure, name string, size float64) {
	d.mutex.Lock()
	defer d.mutex.Unlock()
	if d.seen == nil {
		d.seen = map[string]difference{}
	}
	was := d.seen[figure]
	was.sounds++
	if size > was.largest || was.sounds == 1 {
		was.largest, was.name = size, name
	}
	d.seen[figure] = was
}

func (d *differences) table() string {
	text := "| figure | against | sounds | largest difference |\n| --- | --- | --- | --- |\n"
	for _, figure := range slices.Sorted(maps.Keys(d.seen)) {
		seen := d.seen[figure]
		text += fmt.Sprintf("| %s | %d | %.4f |\t(%s)\n", figure, seen.sounds, seen.largest, seen.name)
	}
	return text
}

// comparison is of one sound.
type comparison struct {
	*testing.T
	worst   *differences
	library string // the program that asks libebur128; "" if it could not be built
}

// within compares one figure. Both may have none.
func (c comparison) within(figure, program string, ours DB, theirs float64) {
	c.Helper()
	size := math.Abs(float64(ours) - theirs)
	if ours.IsSilent() && math.IsInf(theirs, -1) {
		size = 0
	}
	c.worst.note(figure+" | "+program, filepath.Base(c.Name()), size)
	if !(size <= apart) {
		c.Errorf("%s: ours %.4f, %s %.4f", figure, float64(ours), program, theirs)
	}
}

// all compares every figure of s.
func (c comparison) all(s sound) {
	loudness := NewLoudness(s.rateHz, len(s.ch))
	loudness.Add(s.ch)
	file := c.file("as it is.wav", s)
	c.levels(s, file)
	c.againstFFmpeg(s, loudness)
	c.againstLibrary(s, loudness)
	c.truePeaks(s)
}

// levels are plain RMS, over the samples of all channels together, and the
// largest sample.
func (c comparison) levels(s sound, file string) {
	rms, peak := FromPower(power(s)), Silent
	for _, x := range s.ch {
		peak = max(peak, measuredPeak(x))
	}
	stats, astats := soxStats(c.T, file), ffmpegAstats(c.T, file)
	c.within("rms_dbfs", "SoX stats", rms, stats["RMS lev dB"])
	c.within("rms_dbfs", "ffmpeg astats", rms, astats["RMS level dB"])
	c.within("sample_peak_dbfs", "SoX stats", peak, stats["Pk lev dB"])
	c.within("sample_peak_dbfs", "ffmpeg astats", peak, astats["Peak level dB"])
}

// againstFFmpeg compares what ebur128 says every 0.1 s. It gets whole tenths of
// a second, and the 1.5 s of silence that Tech 3342 wants behind a file.
func (c comparison) againstFFmpeg(s sound, m *Loudness) {
	tenths := len(m.tenths)
	padded := sound{rateHz: s.rateHz}
	for _, x := range s.ch {
		whole := int(m.frameOf(int64(tenths * tenthHops)))
		padded.ch = append(padded.ch, append(slices.Clone(x[:whole]), make([]float32, s.rateHz*3/2)...))
	}
	ticks := ebur128(c.T, c.file("with silence.wav", padded))
	if len(ticks) < tenths+rangeTailTenths {
		c.Fatalf("ffmpeg tells %d tenths of a second, not %d", len(ticks), tenths+rangeTailTenths)
	}
	unscaled := unscaledDB(s.rateHz)
	heard := ticks[:tenths]
	if tenths >= momentaryTenths {
		ours, theirs := m.IntegratedLUFS(), heard[tenths-1].integrated
		if theirs == -70 { // it says so where there is none
			theirs = math.Inf(-1)
		}
		c.within("integrated_lufs", "ffmpeg ebur128", ours, theirs-unscaled)
		c.within("momentary, every 0.1 s", "ffmpeg ebur128", maxOf(m, momentaryTenths), largestOf(heard, func(t tick) float64 { return t.momentary })-unscaled)
	}
	if tenths >= shortTermTenths {
		c.within("short-term, every 0.1 s", "ffmpeg ebur128", maxOf(m, shortTermTenths), largestOf(heard, func(t tick) float64 { return t.shortTerm })-unscaled)
	}
	const rounding = 1e-9 // the sums are taken in another order
	if m.MaxMomentaryLUFS() < maxOf(m, momentaryTenths)-rounding || m.MaxShortTermLUFS() < maxOf(m, shortTermTenths)-rounding {
		c.Errorf("every 10 ms finds less than every 100 ms: %v %v", m.MaxMomentaryLUFS(), m.MaxShortTermLUFS())
	}
	c.rangeOneRankOff(m, ticks[tenths+rangeTailTenths-1].lra)
}

// rangeOneRankOff compares with a range whose percentiles are rounded otherwise:
// by one window at most, which matters where speech meets a pause. So theirs must
// lie within what our ranks, moved by up to one, span.
func (c comparison) rangeOneRankOff(m *Loudness, theirs float64) {
	sorted := m.rangeWindows()
	if len(sorted) < 5 {
		return // a tenth of so few rounds to none, and it takes the gate itself for the percentile
	}
	at := func(pct float64, shift int) DB {
		rank := int(math.Round(float64(len(sorted)-1)*pct/100)) + shift
		return lufs(sorted[max(0, min(rank, len(sorted)-1))])
	}
	least, most := at(rangeHighPct, -1)-at(rangeLowPct, 1), at(rangeHighPct, 1)-at(rangeLowPct, -1)
	c.within("loudness_range_lu", "ffmpeg ebur128", max(least, min(most, DB(theirs))), theirs)
}

// againstLibrary compares with libebur128, which like us looks every 10 ms. Its
// loudness range goes by windows every second with no silence after the last (as
// Tech 3342 of 2011 allowed), so ours is taken of the same windows.
func (c comparison) againstLibrary(s sound, m *Loudness) {
	if c.library == "" {
		return
	}
	theirs, unscaled := askLibrary(c.T, c.library, "loudness", s), unscaledDB(s.rateHz)
	c.within("integrated_lufs", "libebur128", m.IntegratedLUFS(), theirs["integrated"]-unscaled)
	c.within("max_momentary_lufs", "libebur128", m.MaxMomentaryLUFS(), theirs["momentary"]-unscaled)
	c.within("max_short_term_lufs", "libebur128", m.MaxShortTermLUFS(), theirs["short-term"]-unscaled)
	var windows []float64
	for i, w := range m.windows(m.tenths, shortTermTenths) {
		if i%(hopsPerSecond/tenthHops) == 0 {
			windows = append(windows, w)
		}
	}
	ours := DB(0) // what it says where there is none
	if sorted := gatedForRange(windows); len(sorted) > 0 {
		ours = rangeOf(sorted)
	}
	c.within("loudness_range_lu, every second", "libebur128", ours, theirs["range"])
}

// truePeaks compares interpolators. Where they may differ lies near half the
// rate, and between the points of the coarser one: annex 2, attachment 1 of
// BS.1770-5 lets a grid of n points a sample miss 20 log10 cos(pi f / n fs). So all
// hear the same sound without what lies higher than the coarser grid can tell to
// 0.1 dB; SoX, finer than ours, hears up to 0.4 of the rate, and 20 kHz.
func (c comparison) truePeaks(s sound) {
	upTo := func(hz float64) (low sound, samplePeak, truePeak DB) {
		low, samplePeak, truePeak = atHalfScale(lowPassed(s, hz)), Silent, Silent
		for _, x := range low.ch {
			samplePeak = max(samplePeak, measuredPeak(x))
			truePeak = max(truePeak, measuredTruePeak(low.rateHz, x))
		}
		return low, samplePeak, truePeak
	}
	low, _, truePeak := upTo(min(0.4*float64(s.rateHz), 20000))
	c.within("true_peak_dbtp", "SoX, interpolated", truePeak, soxTruePeak(c.T, c.file("for SoX.wav", low), s.rateHz))

	points := 4 // a sample, as libebur128 looks; ffmpeg looks at 192 kHz
	if s.rateHz >= 96000 {
		points = 2
	}
	low, samplePeak, truePeak := upTo(toldWithin(apart, min(192000, points*s.rateHz)))
	c.within("true_peak_dbtp", "ffmpeg ebur128", truePeak, ffmpegTruePeak(c.T, c.file("for ffmpeg.wav", low)))
	if c.library != "" {
		theirs := askLibrary(c.T, c.library, "peaks", low)
		c.within("sample_peak_dbfs", "libebur128", samplePeak, theirs["sample-peak"])
		c.within("true_peak_dbtp", "libebur128", truePeak, theirs["true-peak"])
	}
}

// truePeakAsItIs compares with nothing taken off, where no more than a hundredth
// of the power lies near half the rate. Interpolators differ there: two of SoX's own
// filters read white noise 0.07 dB apart.
func (c comparison) truePeakAsItIs(s sound) {
	low := lowPassed(s, 0.42*float64(s.rateHz))
	if energy(low) < 0.99*energy(s) {
		return
	}
	s, peak := atHalfScale(s), Silent
	for _, x := range s.ch {
		peak = max(peak, measuredTruePeak(s.rateHz, x))
	}
	c.within("true_peak_dbtp, as it is", "SoX, interpolated", peak, soxTruePeak(c.T, c.file("half.wav", s), s.rateHz))
}

func energy(s sound) float64 { return power(s) * float64(s.frames()) }

// power is the mean square over all channels.
func power(s sound) float64 {
	sum := 0.0
	for _, x := range s.ch {
		sum += measuredRMS(x).Power() / float64(len(s.ch))
	}
	return sum
}

// atHalfScale scales the largest sample to 0.5: ffmpeg prints true peaks linearly
// with three decimals, and SoX clips at full scale.
func atHalfScale(s sound) sound {
	peak := float32(0)
	for _, x := range s.ch {
		peak = max(peak, largest(x))
	}
	scaled := sound{rateHz: s.rateHz}
	for _, x := range s.ch {
		y := make([]float32, len(x))
		for i, v := range x {
			y[i] = v * (0.5 / peak)
		}
		scaled.ch = append(scaled.ch, y)
	}
	return scaled
}

// toldWithin is the frequency up to which points at a rate miss no more than db.
func toldWithin(db float64, pointsHz int) float64 {
	return float64(pointsHz) / math.Pi * math.Acos(math.Pow(10, -db/20))
}

// lowPassed is s without what lies above hz, and with silence around it: others
// do not look beyond the last sample, where a sound cut off swings on.
func lowPassed(s sound, hz float64) sound {
	cutoff := min(0.42, hz/float64(s.rateHz))
	// Half of the transition lies below the cutoff, which is put so much lower.
	const attenuationDB, transition = 60, 0.06
	half := int(math.Ceil(sinc.Length(attenuationDB, transition) / 2))
	filter := sinc.NewLowPass(cutoff-transition/2, float64(half), attenuationDB)
	taps := make([]float64, 2*half+1)
	for i := range taps {
		taps[i] = filter.At(float64(i - half))
	}
	around := make([]float32, 2*half+s.rateHz/5) // ffmpeg tells whole tenths of a second
	low := sound{rateHz: s.rateHz}
	for _, x := range s.ch {
		padded := slices.Concat(around, x, around)
		y := make([]float32, len(padded)-2*half)
		for n := range y {
			sum := 0.0
			for i, v := range padded[n : n+len(taps)] {
				sum += taps[i] * float64(v)
			}
			y[n] = float32(sum)
		}
		low.ch = append(low.ch, y)
	}
	return low
}

// unscaledDB is how much louder others read below 32 kHz, as they leave the
// numerator of the high-pass at (1, -2, 1): see README.md. From there on it is not
// taken off: it is less than 0.02 dB.
func unscaledDB(rateHz int) float64 {
	if rateHz >= 32000 {
		return 0
	}
	return -20 * math.Log10(newKWeight(rateHz).highPass.b0)
}

func maxOf(m *Loudness, tenths int) DB {
	windows := m.windows(m.tenths, tenths)
	if len(windows) == 0 {
		return Silent
	}
	return lufs(slices.Max(windows))
}

// file writes s as a WAV of floats.
func (c comparison) file(name string, s sound) string {
	path := filepath.Join(c.TempDir(), name)
	if err := os.WriteFile(path, made.WAVFloat(s.rateHz, s.ch...), 0o600); err != nil {
		c.Fatal(err)
	}
	return path
}

func interleaved(s sound) *bytes.Reader {
	var b []byte
	for i := range s.frames() {
		for _, x := range s.ch {
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(x[i]))
		}
	}
	return bytes.NewReader(b)
}
