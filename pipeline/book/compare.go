package book

import (
	"math"
	"slices"

	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// The figures that are compared over the chapters.
const (
	rms        = "rms_dbfs"
	loudness   = "integrated_lufs"
	noiseFloor = "noise_floor_dbfs"
	roomTone   = "room_tone_dbfs"
	toneColor  = "tone_color_db"
	pace       = "words_per_minute"
)

const (
	// leastCompared is how many chapters it takes for one of them to lie apart: of three,
	// nobody can tell which is the odd one. Our choice.
	leastCompared = 4
	// leastComparedS leaves out what is shorter: the two and a half seconds of quiet room
	// around the words lower its level by 0.8 dB or more. Our choice.
	leastComparedS = 15
	// apartTimes is how many times as far from the middle as is usual an outlier lies. The
	// usual distance is the median one, and 1.4826 makes a standard deviation of it where
	// the figures lie as by chance (F. R. Hampel, "The influence curve and its role in
	// robust estimation", 1974). Three of them is common practice, no source.
	apartTimes = 3 * 1.4826
)

// compared are the figures, and how many dB a chapter must lie apart at least before it
// is named, so that chapters that are all alike have no outlier. All are our choice: one
// and a half dB in level is heard where two chapters follow each other; six of room and
// three of color are what makes a join stand out.
var compared = []struct {
	name, unit string
	floorDB    float64
	of         func(*report.Measured) meter.DB
}{
	{rms, "dBFS", 1.5, func(m *report.Measured) meter.DB { return m.RMSDBFS }},
	{loudness, "LUFS", 1.5, func(m *report.Measured) meter.DB { return m.IntegratedLUFS }},
	{noiseFloor, "dBFS", 6, func(m *report.Measured) meter.DB { return m.NoiseFloorDBFS }},
	{roomTone, "dBFS", 6, func(m *report.Measured) meter.DB { return m.RoomToneDBFS }},
}

// colorFloorDB is the same for the color of the voice.
const colorFloorDB = 3.0

// compare tells for each figure between which values the chapters lie, and which lie
// apart. The credits and the sample are not compared: they are short, or the same sound
// again.
func (b *Book) compare() {
	b.Spread, b.Outliers = []Spread{}, []Outlier{}
	files := b.finished(func(f File) bool {
		return (f.Kind == Chapter || f.Kind == Other) && *f.DurationS >= leastComparedS
	})
	for _, c := range compared {
		var names []string
		var values []float64
		for _, f := range files {
			if v := c.of(f.Figures); !v.IsSilent() {
				names, values = append(names, f.Name), append(values, float64(v))
			}
		}
		says := sayers[c.name]
		b.addSpread(c.name, c.unit, values)
		for _, i := range outliers(values, c.floorDB) {
			b.addOutlier(names[i], c.name, values[i], median(values), says(names[i], values[i], median(values)))
		}
	}
	b.compareColors(files)
}

// compareColors compares the color of the voices: how far, on average, the octaves of a
// chapter lie from the middle of all chapters' octaves.
func (b *Book) compareColors(files []File) {
	var names []string
	var bands [][]report.Figure
	for _, f := range files {
		if len(f.Figures.VoiceBandsDB) == octaves {
			names, bands = append(names, f.Name), append(bands, f.Figures.VoiceBandsDB)
		}
	}
	distances, apart := colorDistances(bands)
	b.addSpread(toneColor, "dB", distances)
	for _, i := range outliers(distances, colorFloorDB) {
		if distances[i] > median(distances) { // nobody is too near the middle
			b.addOutlier(names[i], toneColor, distances[i], median(distances), saysColor(names[i], apart[i]))
		}
	}
}

// octaves is how many of them report.Measured.VoiceBandsDB has, from 63 Hz up. The first
// is below any voice.
const (
	octaves     = 8
	firstOctave = 1
)

// colorApart is the octave in which a voice differs most, and by how much.
type colorApart struct{ Hz, DB float64 }

// colorDistances are, for each chapter, the root mean square over the octaves from 125 Hz
// up of how far its voice lies from the median of all in that octave, in dB, and where it
// lies furthest.
func colorDistances(bands [][]report.Figure) ([]float64, []colorApart) {
	distances, apart := make([]float64, len(bands)), make([]colorApart, len(bands))
	for o := firstOctave; o < octaves; o++ {
		column := make([]float64, len(bands))
		for i := range bands {
			column[i] = float64(bands[i][o])
		}
		middle := median(column)
		for i, v := range column {
			d := v - middle
			distances[i] += d * d / (octaves - firstOctave)
			if math.Abs(d) > math.Abs(apart[i].DB) {
				apart[i] = colorApart{Hz: 62.5 * math.Pow(2, float64(o)), DB: d}
			}
		}
	}
	for i := range distances {
		distances[i] = math.Sqrt(distances[i])
	}
	return distances, apart
}

// outliers are the places of the values that lie apart from the others: further than
// floor from their median, and apartTimes as far as the median of all distances.
func outliers(values []float64, floor float64) []int {
	if len(values) < leastCompared {
		return nil
	}
	middle := median(values)
	distances := make([]float64, len(values))
	for i, v := range values {
		distances[i] = math.Abs(v - middle)
	}
	most := max(floor, apartTimes*median(distances))
	var out []int
	for i, d := range distances {
		if d > most {
			out = append(out, i)
		}
	}
	return out
}

// median is the middle of the values, the mean of the middle two if their number is even;
// 0 if there are none.
func median(values []float64) float64 {
	n := len(values)
	if n == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(values))
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

func (b *Book) addSpread(figure, unit string, values []float64) {
	if len(values) == 0 {
		return
	}
	b.Spread = append(b.Spread, Spread{
		Figure: figure, Unit: unit, Lowest: report.Figure(slices.Min(values)),
		Middle: report.Figure(median(values)), Highest: report.Figure(slices.Max(values)),
	})
}

func (b *Book) addOutlier(name, figure string, value, middle float64, says string) {
	b.Outliers = append(b.Outliers, Outlier{
		Name: name, Figure: figure, Value: report.Figure(value), Middle: report.Figure(middle), Says: says,
	})
}
