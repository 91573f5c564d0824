package meter

import (
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"sync"
	"testing"

	"lectern/pipeline/resample/sinc"
)

var update = flag.Bool("update", false, "write the table of measured values into README.md")

// row is one published value and what is measured. It passes from want-under
// to want+over.
type row struct {
	source, name, quantity string
	want, under, over      float64
	got                    float64
}

func (r row) passes() bool { return r.got >= r.want-r.under && r.got <= r.want+r.over }

func (r row) String() string {
	tolerance := fmt.Sprintf("±%g", r.over)
	if r.under != r.over {
		tolerance = fmt.Sprintf("+%g / -%g", r.over, r.under)
	}
	return fmt.Sprintf("| %s | %s | %s | %s | %s | %.3f |", r.source, r.name, r.quantity, number(r.want), tolerance, r.got)
}

func number(x float64) string {
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.4f", x), "0"), ".")
}

// even is a row with the same tolerance on both sides.
func even(source, name, quantity string, want, tolerance, got float64) row {
	return row{source, name, quantity, want, tolerance, tolerance, got}
}

const (
	bs1770   = "BS.1770-5"
	tech3341 = "Tech 3341"
	tech3342 = "Tech 3342"
	p56      = "P.56 B (G.191)"
	g1001    = "G.100.1"
	computed = "computed"
)

// TestTable measures every published value. With -v it prints the table that
// README.md holds; with -update it writes it there.
func TestTable(t *testing.T) {
	groups := []func() []row{
		anchors, gates, tech3341Integrated, tech3341ShortTerm, tech3341Momentary,
		loudnessRanges, monoAndStereo, truePeaks, plainRMS, activeSpeech,
	}
	rows := make([][]row, len(groups))
	var wait sync.WaitGroup
	for i, group := range groups {
		wait.Go(func() { rows[i] = group() })
	}
	wait.Wait()

	lines := []string{
		"| source | signal | figure | expected | tolerance | measured |",
		"| --- | --- | --- | --- | --- | --- |",
	}
	for _, group := range rows {
		for _, r := range group {
			lines = append(lines, r.String())
			if !r.passes() {
				t.Errorf("%s", r)
			}
		}
	}
	table := strings.Join(lines, "\n")
	t.Logf("%d values\n%s", len(lines)-2, table)
	keepInReadme(t, table)
}

// keepInReadme holds that README.md shows exactly these cases; the measured
// column may differ in its last digit between processors, and is not compared.
func keepInReadme(t *testing.T, table string) {
	const begin, end = "<!-- table: go test -run TestTable -update -->\n", "\n<!-- end of table -->"
	text, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	before, rest, found := strings.Cut(string(text), begin)
	kept, after, foundEnd := strings.Cut(rest, end)
	if !found || !foundEnd {
		t.Fatal("README.md has no place for the table")
	}
	if *update {
		if err := os.WriteFile("README.md", []byte(before+begin+table+end+after), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	if withoutMeasured(kept) != withoutMeasured(table) {
		t.Error("README.md shows other cases than are measured here; run go test -run TestTable -update")
	}
}

func withoutMeasured(table string) string {
	var lines []string
	for line := range strings.Lines(table) {
		line = strings.TrimSuffix(strings.TrimSpace(line), " |")
		lines = append(lines, line[:strings.LastIndex(line, "|")])
	}
	return strings.Join(lines, "\n")
}

// anchors: BS.1770-5 annex 1, text after eq. (7); the other tones follow from
// Tables 1 and 2.
func anchors() []row {
	var rows []row
	for _, rateHz := range []int{44100, 48000, 88200, 96000, 192000} {
		got := measuredLoudness(rateHz, 1, tone(rateHz, 997, step{20, 0})).IntegratedLUFS()
		rows = append(rows, even(bs1770, fmt.Sprintf("997 Hz, 0 dBFS, one channel, %d Hz", rateHz), "integrated_lufs", -3.01, 0.01, float64(got)))
	}
	got := measuredLoudness(48000, 2, tone(48000, 997, step{20, 0})).IntegratedLUFS()
	rows = append(rows, even(bs1770, "997 Hz, 0 dBFS, two channels, 48000 Hz", "integrated_lufs", 0, 0.01, float64(got)))
	for _, rateHz := range []int{44100, 48000} {
		for _, test := range []struct {
			hz   int
			want float64
		}{
			{25, -34.094}, {100, -24.835}, {500, -23.659}, {1000, -23.004}, {2000, -20.630}, {10000, -19.659},
		} {
			got := measuredLoudness(rateHz, 1, tone(rateHz, test.hz, step{20, -20})).IntegratedLUFS()
			name := fmt.Sprintf("%d Hz, -20 dBFS, one channel, %d Hz", test.hz, rateHz)
			rows = append(rows, even(bs1770+" tables 1, 2", name, "integrated_lufs", test.want, 0.02, float64(got)))
		}
	}
	return rows
}

// gates: signals built as the gate files of BS.2217 are; levels read from those
// files, targets from their names.
func gates() []row {
	const rateHz = 48000
	quiet := lsb(1)
	relative := to16Bit(tone(rateHz, 997, step{0.5, quiet}, step{0.9, lsb(3315)}, step{1.3, lsb(14469)}, step{0.8, lsb(3315)}, step{0.5, quiet}))
	absolute := to16Bit(tone(rateHz, 997, step{0.8, quiet},
		step{0.5, lsb(11)}, step{0.5, quiet}, step{0.5, lsb(11)}, step{0.5, quiet}, step{0.5, lsb(11)}, step{0.7, quiet}))
	return []row{
		even("BS.2217 look-alike", "relative gate", "integrated_lufs", -10, 0.1, float64(measuredLoudness(rateHz, 2, relative).IntegratedLUFS())),
		even("BS.2217 look-alike", "absolute gate", "integrated_lufs", -69.5, 0.1, float64(measuredLoudness(rateHz, 2, absolute).IntegratedLUFS())),
	}
}

// tech3341Integrated: EBU Tech 3341 (2023) table 1, cases 1 to 5, on two
// channels; and the same on one, 3.0103 dB louder, which must read the same.
func tech3341Integrated() []row {
	cases := []struct {
		want  float64
		steps []step
	}{
		{-23, []step{{20, -23}}},
		{-33, []step{{20, -33}}},
		{-23, []step{{10, -36}, {60, -23}, {10, -36}}},
		{-23, []step{{10, -72}, {10, -36}, {60, -23}, {10, -36}, {10, -72}}},
		{-23, []step{{20, -26}, {20.1, -20}, {20, -26}}},
	}
	var rows []row
	for i, c := range cases {
		m := measuredLoudness(48000, 2, tone(48000, 1000, c.steps...))
		name := fmt.Sprintf("case %d", i+1)
		rows = append(rows, even(tech3341, name, "integrated_lufs", c.want, 0.1, float64(m.IntegratedLUFS())))
		if i < 2 {
			rows = append(rows,
				even(tech3341, name, "max_momentary_lufs", c.want, 0.1, float64(m.MaxMomentaryLUFS())),
				even(tech3341, name, "max_short_term_lufs", c.want, 0.1, float64(m.MaxShortTermLUFS())))
		}
	}
	for i, c := range cases {
		for _, rateHz := range []int{44100, 48000} {
			twin := tone(rateHz, 1000, raised(20*math.Log10(math.Sqrt2), c.steps)...)
			name := fmt.Sprintf("case %d, one channel 3.01 dB louder, %d Hz", i+1, rateHz)
			rows = append(rows, even(tech3341, name, "integrated_lufs", c.want, 0.1, float64(measuredLoudness(rateHz, 1, twin).IntegratedLUFS())))
		}
	}
	return rows
}

// tech3341ShortTerm: cases 9, 10, 11. The maximum of case 9 is the constant
// value asked for; that it is constant is TestConstantWindows.
func tech3341ShortTerm() []row {
	const rateHz = 48000
	m := measuredLoudness(rateHz, 2, tone(rateHz, 1000, repeated(5, step{1.34, -20}, step{1.66, -30})...))
	rows := []row{even(tech3341, "case 9", "max_short_term_lufs", -23, 0.1, float64(m.MaxShortTermLUFS()))}
	worst := -23.0
	for i := range 20 {
		x := tone(rateHz, 1000, step{float64(i) * 0.15, silence}, step{3, -23}, step{1, silence})
		worst = further(-23, worst, float64(measuredLoudness(rateHz, 2, x).MaxShortTermLUFS()))
	}
	rows = append(rows, even(tech3341, "case 10, the worst of 20 files", "max_short_term_lufs", -23, 0.1, worst))
	return append(rows, live("case 11", 3, 0.15, func(m *Loudness) DB { return m.MaxShortTermLUFS() })...)
}

// tech3341Momentary: cases 12, 13, 14.
func tech3341Momentary() []row {
	const rateHz = 48000
	m := measuredLoudness(rateHz, 2, tone(rateHz, 1000, repeated(25, step{0.18, -20}, step{0.22, -30})...))
	rows := []row{even(tech3341, "case 12", "max_momentary_lufs", -23, 0.1, float64(m.MaxMomentaryLUFS()))}
	worst := -23.0
	for i := range 20 {
		x := tone(rateHz, 1000, step{float64(i) * 0.02, silence}, step{0.4, -23}, step{1, silence})
		worst = further(-23, worst, float64(measuredLoudness(rateHz, 2, x).MaxMomentaryLUFS()))
	}
	rows = append(rows, even(tech3341, "case 13, the worst of 20 files", "max_momentary_lufs", -23, 0.1, worst))
	return append(rows, live("case 14", 0.4, 0.02, func(m *Loudness) DB { return m.MaxMomentaryLUFS() })...)
}

// live is one file in which the same length of tone comes 20 times, each 1 dB
// louder and later: the maximum so far is read after each.
func live(name string, seconds, later float64, read func(*Loudness) DB) []row {
	const rateHz = 48000
	m := NewLoudness(rateHz, 2)
	worst := 0.0
	for i := range 20 {
		wait := float64(i) * later
		x := tone(rateHz, 1000, step{wait, silence}, step{seconds, float64(-38 + i)}, step{seconds - wait, silence})
		m.Add([][]float32{x, x})
		worst = further(0, worst, float64(read(m))-float64(-38+i))
	}
	quantity := "max_short_term_lufs"
	if seconds < 1 {
		quantity = "max_momentary_lufs"
	}
	return []row{even(tech3341, name+", -38 to -19, the worst error of 20", quantity, 0, 0.1, worst)}
}

// further is whichever of a and b lies further from want.
func further(want, a, b float64) float64 {
	if math.Abs(b-want) > math.Abs(a-want) {
		return b
	}
	return a
}

// loudnessRanges: EBU Tech 3342 (2023) table 1, cases 1 to 4.
func loudnessRanges() []row {
	var rows []row
	for i, c := range []struct {
		want  float64
		steps []step
	}{
		{10, []step{{20, -20}, {20, -30}}},
		{5, []step{{20, -20}, {20, -15}}},
		{20, []step{{20, -40}, {20, -20}}},
		{15, []step{{20, -50}, {20, -35}, {20, -20}, {20, -35}, {20, -50}}},
	} {
		m := measuredLoudness(48000, 2, tone(48000, 1000, c.steps...))
		rows = append(rows, even(tech3342, fmt.Sprintf("case %d", i+1), "loudness_range_lu", c.want, 1, float64(m.LoudnessRangeLU())))
	}
	return rows
}

// monoAndStereo: BS.1770-5 annex 1 eq. (2), a channel counted once or twice.
func monoAndStereo() []row {
	x := tone(48000, 1000, step{20, -23})
	return []row{
		even(bs1770, "1 kHz, -23 dBFS, one channel", "integrated_lufs", -26.0036, 0.001, float64(measuredLoudness(48000, 1, x).IntegratedLUFS())),
		even(bs1770, "1 kHz, -23 dBFS, the same on two", "integrated_lufs", -22.9933, 0.001, float64(measuredLoudness(48000, 2, x).IntegratedLUFS())),
	}
}

// truePeaks: EBU Tech 3341 (2023) table 1, cases 15 to 23.
func truePeaks() []row {
	var rows []row
	for _, c := range []struct {
		name              string
		part              float64 // of the sample rate
		amplitude, degree float64
		want              float64
	}{
		{"case 15", 4, 0.50, 0, -6}, {"case 16", 4, 0.50, 45, -6}, {"case 17", 6, 0.50, 60, -6},
		{"case 18", 8, 0.50, 67.5, -6}, {"case 19", 4, 1.41, 45, 3},
	} {
		for _, rateHz := range []int{44100, 48000, 96000} {
			x := make([]float32, rateHz)
			for n := range x {
				x[n] = float32(c.amplitude * math.Sin(2*math.Pi*float64(n)/c.part+c.degree*math.Pi/180))
			}
			fade(x, rateHz)
			name := fmt.Sprintf("%s, %d Hz", c.name, rateHz)
			rows = append(rows, row{tech3341, name, "true_peak_dbtp", c.want, 0.4, 0.2, float64(measuredTruePeak(rateHz, x))})
		}
	}
	for offset := range 4 {
		name := fmt.Sprintf("case %d", 20+offset)
		rows = append(rows, row{tech3341, name, "true_peak_dbtp", 0, 0.4, 0.2, float64(measuredTruePeak(48000, insertedPeriod(offset)))})
	}
	return rows
}

// fade is 10 ms at each end, as the cases ask.
func fade(x []float32, rateHz int) {
	n := rateHz / 100
	for i := range n {
		gain := float32(i) / float32(n)
		x[i] *= gain
		x[len(x)-1-i] *= gain
	}
}

// insertedPeriod is cases 20 to 23: made at four times the rate, 8 kHz at 0.50
// with one period of 12 kHz at 1.00 put in, low-passed, every fourth sample kept.
func insertedPeriod(offset int) []float32 {
	const rateHz = 4 * 48000
	var high []float32
	sine := func(periods int, hz, amplitude float64) {
		samples := int(rateHz / hz)
		for n := range periods * samples {
			high = append(high, float32(amplitude*math.Sin(2*math.Pi*float64(n)/float64(samples))))
		}
	}
	sine(4000, 8000, 0.5)
	sine(1, 12000, 1)
	sine(4000, 8000, 0.5)
	fade(high, rateHz)

	const half = 128
	filter := sinc.NewLowPass(22000.0/rateHz, half, 80)
	var taps [2*half + 1]float64
	for i := range taps {
		taps[i] = filter.At(float64(i - half))
	}
	var x []float32
	for n := half + offset; n+half < len(high); n += 4 {
		y := 0.0
		for i, tap := range taps {
			y += tap * float64(high[n-half+i])
		}
		x = append(x, float32(y))
	}
	return x
}

// plainRMS: ITU-T G.100.1, 0 dB is a square wave of full scale.
func plainRMS() []row {
	square := make([]float32, 4800)
	for i := range square {
		square[i] = float32(1 - 2*(i/24%2))
	}
	paused := tone(48000, 1000, repeated(10, step{2, -20}, step{1, silence})...)
	code := tone(48000, 1000, step{10, lsb(2600 * math.Sqrt2)})
	return []row{
		even(g1001, "full-scale square wave", "rms_dbfs", 0, 0.0001, float64(measuredRMS(square))),
		even(g1001, "full-scale sine, 997 Hz", "rms_dbfs", -3.0103, 0.0005, float64(measuredRMS(tone(48000, 997, step{10, 0})))),
		even(g1001, "997 Hz, -20 dBFS, 30 s", "rms_dbfs", -23.0103, 0.0005, float64(measuredRMS(tone(48000, 997, step{30, -20})))),
		even("RFC 7874 section 4", "RMS of 2600 on a scale of 32767", "rms_dbfs", -22.01, 0.005, float64(measuredRMS(code))),
		even(computed, "10 x (2 s 1 kHz -20 dBFS, 1 s zeros)", "rms_dbfs", -24.77, 0.005, float64(measuredRMS(paused))),
		even("reference programs", "the same", "integrated_lufs", -23.586, 0.01, float64(measuredLoudness(48000, 1, paused).IntegratedLUFS())),
		even("reference programs", "the same", "active_speech_dbov", -23.56, 0.1, float64(measuredSpeech(48000, paused).Level())),
	}
}

// activeSpeech: values of the reference program in G.191, which interpolates
// coarsely, and of its exact interpolation.
func activeSpeech() []row {
	var rows []row
	for _, rateHz := range []int{44100, 48000, 96000} {
		for _, c := range []struct {
			name        string
			steps       []step
			level       float64
			levelExact  float64
			sharePct    float64
			shareWithin float64
		}{
			{"10 x (2 s tone, 1 s zeros)", repeated(10, step{2, -20}, step{1, silence}), -23.564, -23.568, 75.80, 0.2},
			{"10 s tone", []step{{10, -20}}, -23.000, -23.000, 99.76, 0.1},
			{"10 x (2 s tone, 0.15 s zeros)", repeated(10, step{2, -20}, step{0.15, silence}), -23.320, -23.320, 99.89, 0.1},
		} {
			m := measuredSpeech(rateHz, to16Bit(tone(rateHz, 1000, c.steps...)))
			name := fmt.Sprintf("%s, %d Hz", c.name, rateHz)
			rows = append(rows,
				even(p56, name, "active_speech_dbov", c.level, 0.1, float64(m.Level())),
				even(p56+", exact", name, "active_speech_dbov", c.levelExact, 0.005, float64(m.Level())),
				even(p56, name, "speech_share_pct", c.sharePct, c.shareWithin, m.SharePct()))
		}
	}
	return rows
}
