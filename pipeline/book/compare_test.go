package book

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lectern/config"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

func TestMedian(t *testing.T) {
	for _, tt := range []struct {
		values []float64
		want   float64
	}{{nil, 0}, {[]float64{3}, 3}, {[]float64{5, 1}, 3}, {[]float64{9, 1, 2}, 2}, {[]float64{4, 1, 3, 2}, 2.5}} {
		if got := median(tt.values); got != tt.want {
			t.Errorf("median of %v is %v, want %v", tt.values, got, tt.want)
		}
	}
}

func TestOutliers(t *testing.T) {
	for _, tt := range []struct {
		name   string
		values []float64
		floor  float64
		want   []int
	}{
		{"three are too few", []float64{-20, -20, -10}, 1.5, nil},
		{"one of four", []float64{-20, -20, -20, -18.4}, 1.5, []int{3}},
		{"at the floor", []float64{-20, -20, -20, -18.5}, 1.5, nil},
		{"0.3 dB apart", []float64{-20, -20, -20, -20, -20.3}, 1.5, nil},
		{"half and half", []float64{-20, -20, -15, -15}, 1.5, nil},
		{"on both sides", []float64{-23, -20, -20.1, -19.9, -20, -17}, 1.5, []int{0, 5}},
		// Distances from -66 are 4, 2, 0, 2, 4; the median 2 times 4.45 is 8.9.
		{"wide anyway", []float64{-70, -68, -66, -64, -62}, 6, nil},
		{"wide, and one beyond", []float64{-70, -68, -66, -64, -62, -50}, 6, []int{5}},
		{"all the same", []float64{-66, -66, -66, -66}, 6, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if d := cmp.Diff(tt.want, outliers(tt.values, tt.floor)); d != "" {
				t.Errorf("outliers (-want +got):\n%s", d)
			}
		})
	}
}

// Four chapters alike and one that is not, in each figure: it alone is named, with what
// to do.
func TestCompare(t *testing.T) {
	tests := []struct {
		figure string
		change func(*report.Measured)
		value  report.Figure
		want   string
	}{
		{rms, func(m *report.Measured) { m.RMSDBFS = -18.2 }, -18.2,
			`"03 Tide" is 1.8 dB louder on the whole than the middle of the chapters: its average level (RMS) is -18.2 dB, theirs -20.0.`},
		{loudness, func(m *report.Measured) { m.IntegratedLUFS = -22 }, -22,
			`"03 Tide" is 2.6 dB softer on the whole than the middle of the chapters: its loudness is -22.0 dB, theirs -19.4.`},
		{noiseFloor, func(m *report.Measured) { m.NoiseFloorDBFS = -81 }, -81,
			`In the pauses of "03 Tide" the room is 15 dB quieter than in the middle of the chapters: its noise floor is -81.0 dB, theirs -66.0.`},
		{roomTone, func(m *report.Measured) { m.RoomToneDBFS = -72.5 }, -72.5,
			`In the pauses of "03 Tide" the room is 8 dB quieter than in the middle of the chapters: its room tone is -72.5 dB, theirs -64.0.`},
		{toneColor, func(m *report.Measured) { m.VoiceBandsDB = []report.Figure{-55, -14, -6, -4, -8, -12, -19, -34} }, 4.41, // sqrt((6*6+10*10)/7)
			`The voice in "03 Tide" sounds unlike that in the other chapters: most of all, its high tones are 10 dB weaker.`},
	}
	for _, tt := range tests {
		t.Run(tt.figure, func(t *testing.T) {
			in := whole(5)
			*in.at(t, "03 Tide") = made("03 Tide", measures(tt.change))
			b := judge(t, in)
			if len(b.Outliers) != 1 {
				t.Fatalf("outliers are %+v, want one", b.Outliers)
			}
			o := b.Outliers[0]
			if o.Name != "03 Tide" || o.Figure != tt.figure || math.Abs(float64(o.Value-tt.value)) > 0.005 {
				t.Errorf("the outlier is %+v", o)
			}
			if !strings.HasPrefix(o.Says, tt.want+" Listen to it") {
				t.Errorf("says %s\nwant %s Listen to ...", o.Says, tt.want)
			}
			if d := cmp.Diff([]string{"outlier 03 Tide"}, kinds(b)); d != "" {
				t.Errorf("to do (-want +got):\n%s", d)
			}
		})
	}
}

// Louder both in RMS and in loudness is one thing to the ear, told once.
func TestCompareTellsOnce(t *testing.T) {
	in := whole(5)
	*in.at(t, "03 Tide") = made("03 Tide", measures(func(m *report.Measured) { m.RMSDBFS, m.IntegratedLUFS = -18.2, -17 }))
	b := judge(t, in)
	if len(b.Outliers) != 2 || len(b.ToDo) != 1 {
		t.Errorf("outliers %+v, to do %+v", b.Outliers, b.ToDo)
	}
}

func TestSpread(t *testing.T) {
	in := whole(3)
	*in.at(t, "02 Tide") = made("02 Tide", measures(func(m *report.Measured) { m.RMSDBFS, m.RoomToneDBFS = -21, meter.Silent }))
	*in.at(t, "03 Tide") = made("03 Tide", measures(func(m *report.Measured) { m.RMSDBFS, m.VoiceBandsDB = -19.5, nil }))
	// A foreword of fourteen seconds is not compared.
	in.Reports = append(in.Reports, made("Foreword", lasts(14), measures(func(m *report.Measured) { m.RMSDBFS = -22.5 })))
	b := judge(t, in)
	want := []Spread{
		{rms, "dBFS", -21, -20, -19.5},
		{loudness, "LUFS", -19.4, -19.4, -19.4},
		{noiseFloor, "dBFS", -66, -66, -66},
		{roomTone, "dBFS", -64, -64, -64},
		{toneColor, "dB", 0, 0, 0},
	}
	if d := cmp.Diff(want, b.Spread); d != "" {
		t.Errorf("spread (-want +got):\n%s", d)
	}
}

// The color is told by the octave that differs most.
func TestSaysColor(t *testing.T) {
	for hz, want := range map[float64]string{125: "low", 250: "low", 500: "middle", 1000: "middle", 2000: "high", 8000: "high"} {
		if says := saysColor("03", colorApart{Hz: hz, DB: 4}); !strings.Contains(says, "its "+want+" tones are 4 dB stronger") {
			t.Errorf("%v Hz: %s", hz, says)
		}
	}
}

func TestWords(t *testing.T) {
	tests := []struct {
		name    string
		lengths []report.Seconds
		words   []int
		want    []string // too short
		middle  report.Figure
	}{
		{"not told", []report.Seconds{600, 600, 600}, nil, nil, 0},
		{"alike", []report.Seconds{600, 300, 900}, []int{1500, 750, 2400}, nil, 0},
		// 150 words a minute is the book's pace; with a quarter gone it seems to be 200, with a
		// fifth 188.
		{"a quarter short", []report.Seconds{600, 600, 600, 450}, []int{1500, 1500, 1500, 1500}, []string{"04 Tide"}, 150},
		{"a fifth short", []report.Seconds{600, 600, 600, 480}, []int{1500, 1500, 1500, 1500}, nil, 0},
		{"a slow reader, half gone", []report.Seconds{600, 600, 600, 300}, []int{1000, 1000, 1000, 1000}, []string{"04 Tide"}, 100},
		{"one alone, at a usual pace", []report.Seconds{600}, []int{2100}, nil, 0},
		{"one alone, too fast for anybody", []report.Seconds{600}, []int{2300}, []string{"01 Tide"}, usualPace},
		{"a dedication", []report.Seconds{600, 600, 600, 8}, []int{1500, 1500, 1500, 49}, nil, 0},
		{"none told of one", []report.Seconds{600, 600, 60}, []int{1500, 0, 0}, nil, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := whole(0)
			in.About = config.About{Chapters: len(tt.lengths), Words: tt.words}
			for i, s := range tt.lengths {
				in.Reports = append(in.Reports, made(whole(9).Reports[3+i].Stem, lasts(s)))
			}
			b := judge(t, in)
			var got []string
			for _, o := range b.Outliers {
				if o.Figure == pace {
					got = append(got, o.Name)
					if o.Middle != tt.middle {
						t.Errorf("the pace is %v, want %v", o.Middle, tt.middle)
					}
				}
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("too short (-want +got):\n%s", d)
			}
			if (len(got) > 0) != strings.Contains(strings.Join(kinds(b), " "), DoTooShort) {
				t.Errorf("to do is %v", kinds(b))
			}
		})
	}
}

func TestSaysTooShort(t *testing.T) {
	got := saysTooShort(File{Name: "04 Tide", DurationS: ptr(report.Seconds(250))}, 1900, 750, true)
	want := `"04 Tide" lasts 4:10, but its 1900 words should take about 12:30 at the pace of the other chapters, so some of them may be missing. Listen to its end and its joins with the text before you; if the number of words in about.toml is wrong, set it right there.`
	if got != want {
		t.Errorf("says %s\nwant %s", got, want)
	}
}
