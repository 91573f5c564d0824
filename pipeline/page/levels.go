package page

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"lectern/pipeline/book"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// levels is the picture over a book: for each finished file its level above and its noise
// floor below, with the limits, so that the odd one out is seen at once.
type levels struct {
	Says  string
	High  int
	Bands []band
	Names []slotName // below
}

// band is one figure over the book.
type band struct {
	Title     string
	Top, High int
	Lines     []rule
	Dots      []dot
}

// dot is one file's figure.
type dot struct {
	X     string // percent
	Y     string // dots
	Apart bool   // lies apart from the others, or misses the limit
	Label string // beside one that lies apart
	Side  string // of the label: start is to the right of the dot, end to its left
	Says  string
}

// slotName stands below a file's dots.
type slotName struct {
	X     string
	Label string
	Few   bool // is also shown where there is little room
}

const (
	bandHigh   = 124
	bandGap    = 26
	bandMargin = 10 // inside, above and below
	// fewNames is how many names fit below the picture on a phone.
	fewNames = 12
)

// levelsOf draws the finished files of a book in its order; nil if there are none.
func levelsOf(b *book.Book, reports map[string]*report.Report) *levels {
	var list []book.File
	var limits *report.Report
	for _, f := range b.Files {
		if f.State == book.Finished && f.Figures != nil {
			list = append(list, f)
			if limits == nil {
				limits = reports[f.Stem]
			}
		}
	}
	if len(list) == 0 {
		return nil
	}
	p := &levels{}
	title, key, value := "Level (RMS), dB", "rms_dbfs", func(m *report.Measured) meter.DB { return m.RMSDBFS }
	check := "rms"
	if limits != nil && limitOf(limits, "loudness") != nil {
		title, key, check = "Loudness, LUFS", "integrated_lufs", "loudness"
		value = func(m *report.Measured) meter.DB { return m.IntegratedLUFS }
	}
	p.Bands = append(p.Bands,
		bandOf(title, bandGap, list, limits, check, outlying(b, key), value),
		bandOf("Noise floor, dB", bandGap+bandHigh+bandGap, list, limits, "noise_floor", outlying(b, "noise_floor_dbfs"),
			func(m *report.Measured) meter.DB { return m.NoiseFloorDBFS }))
	every := (len(list) + fewNames - 1) / fewNames
	for i, f := range list {
		p.Names = append(p.Names, slotName{X: slot(i, len(list)), Label: short(f), Few: i%every == 0})
	}
	p.High = 2*(bandGap+bandHigh) + axisHigh
	p.Says = p.inWords(len(list))
	return p
}

// outlying names the files that lie apart in one figure.
func outlying(b *book.Book, figure string) map[string]bool {
	names := map[string]bool{}
	for _, o := range b.Outliers {
		if o.Figure == figure {
			names[o.Name] = true
		}
	}
	return names
}

func bandOf(title string, top int, list []book.File, r *report.Report, check string, apart map[string]bool, value func(*report.Measured) meter.DB) band {
	b := band{Title: title, Top: top, High: bandHigh}
	limit := &report.Limit{}
	if r != nil {
		if l := limitOf(r, check); l != nil {
			limit = l
		}
	}
	lowest, highest := math.Inf(1), math.Inf(-1)
	reach := func(v float64) { lowest, highest = min(lowest, v), max(highest, v) }
	for _, v := range []*report.Figure{limit.Min, limit.Max} {
		if v != nil {
			reach(float64(*v))
		}
	}
	for _, f := range list {
		if v := value(f.Figures); !v.IsSilent() {
			reach(float64(v))
		}
	}
	if math.IsInf(lowest, 0) {
		return b
	}
	lowest, highest = math.Floor(lowest), max(math.Ceil(highest), math.Floor(lowest)+6)
	y := func(v float64) float64 {
		return float64(top+bandMargin) + (highest-v)/(highest-lowest)*(bandHigh-2*bandMargin)
	}
	for _, v := range []*report.Figure{limit.Max, limit.Min} {
		if v != nil {
			b.Lines = append(b.Lines, rule{Y: y(float64(*v)), Label: figure(float64(*v)), Limit: true})
		}
	}
	for _, v := range []float64{highest, lowest} {
		b.Lines = append(b.Lines, rule{Y: y(v), Label: figure(v), HideLabel: crowded(b.Lines, y(v))})
	}
	for i, f := range list {
		v := value(f.Figures)
		if v.IsSilent() {
			continue
		}
		d := dot{X: slot(i, len(list)), Y: strconv.FormatFloat(y(float64(v)), 'f', 1, 64), Side: "start"}
		d.Apart = apart[f.Name] || outside(*limit, float64(v))
		d.Says = f.Name + ": " + level(v)
		if d.Apart {
			d.Label = short(f)
		}
		if 2*i > len(list) {
			d.Side = "end"
		}
		b.Dots = append(b.Dots, d)
	}
	return b
}

// crowded tells whether a label at y would touch another.
func crowded(lines []rule, y float64) bool {
	const lineHigh = 14
	for _, l := range lines {
		if !l.HideLabel && math.Abs(l.Y-y) < lineHigh {
			return true
		}
	}
	return false
}

func outside(l report.Limit, v float64) bool {
	return l.Min != nil && v < float64(*l.Min) || l.Max != nil && v > float64(*l.Max)
}

func slot(i, n int) string { return percent(100 * (float64(i) + 0.5) / float64(n)) }

// short names a file below the picture: a chapter by its number, others by a word.
func short(f book.File) string {
	switch {
	case f.Number != nil:
		return strconv.Itoa(*f.Number)
	case f.Kind == book.Opening:
		return "op"
	case f.Kind == book.Closing:
		return "cl"
	case f.Kind == book.Sample:
		return "sa"
	}
	return "·"
}

// inWords tells what the picture shows to somebody who does not see it.
func (p *levels) inWords(n int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "The figures of %s in the book's order.", count(n, "finished file", "finished files"))
	for _, band := range p.Bands {
		var apart []string
		for _, d := range band.Dots {
			if d.Apart {
				apart = append(apart, d.Says)
			}
		}
		if len(apart) == 0 {
			fmt.Fprintf(&b, " %s: none lies apart or misses the limit.", band.Title)
		} else {
			fmt.Fprintf(&b, " %s: apart or over the limit: %s.", band.Title, strings.Join(apart, "; "))
		}
	}
	b.WriteString(" The table of files has the same figures.")
	return b.String()
}
