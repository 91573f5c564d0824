package meter

import (
	"math"
	"slices"
	"testing"

	"lectern/pipeline/meter/published"
)

const (
	bs1770   = "BS.1770-5"
	tech3341 = "Tech 3341"
	tech3342 = "Tech 3342"
	p56      = "P.56 B (G.191)"
	g1001    = "G.100.1"

	integratedLUFS = "integrated_lufs"
	momentaryLUFS  = "max_momentary_lufs"
	shortTermLUFS  = "max_short_term_lufs"
	rangeLU        = "loudness_range_lu"
	truePeakDBTP   = "true_peak_dbtp"
	rmsDBFS        = "rms_dbfs"
	activeDBOV     = "active_speech_dbov"
	sharePct       = "speech_share_pct"
)

// TestTable measures every published value at three rates. With -v it prints the
// table that README.md holds; with -update it writes it there.
func TestTable(t *testing.T) {
	published.Table{README: "README.md", Command: "go test -run TestTable -update"}.Hold(t, slices.Concat(
		anchors(), gates(), tech3341Integrated(), tech3341ShortTerm(), tech3341Momentary(),
		loudnessRanges(), truePeaks(), plainRMS(), activeSpeech(),
	)...)
}

// anchors: BS.1770-5 annex 1, text after eq. (7), and eq. (2): a channel counts
// once or twice. The other tones follow from tables 1 and 2.
func anchors() []published.Case {
	cases := []published.Case{
		integrated(bs1770, "997 Hz, 0 dBFS, one channel", -3.01, 0.01, 1, 997, step{20, 0}),
		integrated(bs1770, "997 Hz, 0 dBFS, two channels", 0, 0.01, 2, 997, step{20, 0}),
		integrated(bs1770, "1 kHz, -23 dBFS, one channel", -26.0036, 0.005, 1, 1000, step{20, -23}),
		integrated(bs1770, "1 kHz, -23 dBFS, the same on two", -22.9933, 0.005, 2, 1000, step{20, -23}),
	}
	for _, tone := range []struct {
		name string
		hz   int
		want float64
	}{
		{"25 Hz", 25, -34.094}, {"100 Hz", 100, -24.835}, {"500 Hz", 500, -23.659},
		{"1 kHz", 1000, -23.004}, {"2 kHz", 2000, -20.630}, {"10 kHz", 10000, -19.659},
	} {
		cases = append(cases, integrated(bs1770+" tables 1, 2", tone.name+", -20 dBFS, one channel", tone.want, 0.02, 1, tone.hz, step{20, -20}))
	}
	return cases
}

// integrated is a case of a tone in steps whose integrated loudness is given.
func integrated(source, signal string, want, tolerance float64, channels, hz int, steps ...step) published.Case {
	return published.Case{
		Source: source, Signal: signal,
		Figures: []published.Figure{published.Even(integratedLUFS, want, tolerance)},
		Measure: func(rateHz int) []float64 {
			return values(measuredLoudness(rateHz, channels, tone(rateHz, hz, steps...)).IntegratedLUFS())
		},
	}
}

func values(levels ...DB) []float64 {
	out := make([]float64, len(levels))
	for i, level := range levels {
		out[i] = float64(level)
	}
	return out
}

// gates: signals built as the gate files of BS.2217 are; levels read from those
// files, targets from their names.
func gates() []published.Case {
	quiet := lsb(1)
	gate := func(signal string, want float64, steps ...step) published.Case {
		return published.Case{
			Source: "BS.2217 look-alike", Signal: signal,
			Figures: []published.Figure{published.Even(integratedLUFS, want, 0.1)},
			Measure: func(rateHz int) []float64 {
				return values(measuredLoudness(rateHz, 2, to16Bit(tone(rateHz, 997, steps...))).IntegratedLUFS())
			},
		}
	}
	return []published.Case{
		gate("relative gate", -10,
			step{0.5, quiet}, step{0.9, lsb(3315)}, step{1.3, lsb(14469)}, step{0.8, lsb(3315)}, step{0.5, quiet}),
		gate("absolute gate", -69.5, step{0.8, quiet},
			step{0.5, lsb(11)}, step{0.5, quiet}, step{0.5, lsb(11)}, step{0.5, quiet}, step{0.5, lsb(11)}, step{0.7, quiet}),
	}
}

// plainRMS: ITU-T G.100.1, 0 dB is a square wave of full scale. The last is one
// sound of which every measure rightly says something else.
func plainRMS() []published.Case {
	one := func(source, signal string, want, tolerance float64, hz int, steps ...step) published.Case {
		return published.Case{
			Source: source, Signal: signal,
			Figures: []published.Figure{published.Even(rmsDBFS, want, tolerance)},
			Measure: func(rateHz int) []float64 { return values(measuredRMS(tone(rateHz, hz, steps...))) },
		}
	}
	square := one(g1001, "full-scale square wave", 0, 0.0001, 0)
	square.Measure = func(rateHz int) []float64 {
		x := tone(rateHz, 1000, step{1, 0})
		for i := range x {
			x[i] = float32(math.Copysign(1, float64(x[i])))
		}
		return values(measuredRMS(x))
	}
	paused := repeated(10, step{2, -20}, step{1, silence})
	return []published.Case{
		square,
		one(g1001, "full-scale sine, 997 Hz", -3.0103, 0.0005, 997, step{10, 0}),
		one(g1001, "997 Hz, -20 dBFS, 30 s", -23.0103, 0.0005, 997, step{30, -20}),
		one("RFC 7874 section 4", "RMS of 2600 on a scale of 32767", -22.01, 0.005, 1000, step{10, lsb(2600 * math.Sqrt2)}),
		{
			Source: "computed; reference programs", Signal: "10 x (2 s 1 kHz -20 dBFS, 1 s zeros)",
			Figures: []published.Figure{
				published.Even(rmsDBFS, -24.771, 0.002), published.Even(integratedLUFS, -23.586, 0.01), published.Even(activeDBOV, -23.56, 0.1),
			},
			Measure: func(rateHz int) []float64 {
				x := tone(rateHz, 1000, paused...)
				return values(measuredRMS(x), measuredLoudness(rateHz, 1, x).IntegratedLUFS(), measuredSpeech(rateHz, x).Level())
			},
		},
	}
}

// activeSpeech: values of the reference program in G.191, which interpolates
// coarsely, and of its exact interpolation.
func activeSpeech() []published.Case {
	var cases []published.Case
	for _, c := range []struct {
		signal             string
		steps              []step
		level, exact       float64
		share, shareWithin float64
	}{
		{"10 x (2 s tone, 1 s zeros)", repeated(10, step{2, -20}, step{1, silence}), -23.564, -23.568, 75.80, 0.1},
		{"10 s tone", []step{{10, -20}}, -23.000, -23.000, 99.76, 0.1},
		{"10 x (2 s tone, 0.15 s zeros)", repeated(10, step{2, -20}, step{0.15, silence}), -23.320, -23.320, 99.89, 0.1},
	} {
		cases = append(cases, published.Case{
			Source: p56, Signal: c.signal,
			Figures: []published.Figure{
				published.Even(activeDBOV, c.level, 0.1), published.Even(activeDBOV+", exact", c.exact, 0.005), published.Even(sharePct, c.share, c.shareWithin),
			},
			Measure: func(rateHz int) []float64 {
				m := measuredSpeech(rateHz, to16Bit(tone(rateHz, 1000, c.steps...)))
				return []float64{float64(m.Level()), float64(m.Level()), m.SharePct()}
			},
		})
	}
	return cases
}
