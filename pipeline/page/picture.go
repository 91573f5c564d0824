package page

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// The parts of a chapter's picture, from top to bottom, in dots (our choice).
const (
	laneHigh     = 25
	waveHigh     = 110
	loudnessHigh = 84
	gainHigh     = 52
	gapHigh      = 22 // holds the title of the part below
	axisHigh     = 20
)

// picture is what is drawn of a chapter. Across, places are percent of its length, so
// that it fits any width; down, they are dots.
type picture struct {
	ID, Says  string
	High      int
	Parts     []part
	Ticks     []tick
	Marks     []mark
	DurationS float64
	// PlotTop and PlotBottom bound what the marks' hairlines cross.
	PlotTop, PlotBottom int
}

// part is one curve over the length of a chapter.
type part struct {
	Title           string
	Top, High       int
	Width, UnitHigh int // of the path's own units
	Path            string
	Filled          bool
	Lines           []rule
}

// rule is a line across a picture: a limit, or the zero line.
type rule struct {
	Y     float64 // in dots, from the top of the picture
	Label string  // in the margin
	Limit bool
	// HideLabel tells that there is no room for the label.
	HideLabel bool
}

// tick is a time below the picture.
type tick struct {
	X     string // percent
	Label string
	Edge  string // where its label stands: start, middle or end
}

// mark is a place in the picture.
type mark struct {
	place
	X    string // percent
	Y    int
	Says string
}

// pictureOf draws a chapter; nil if there is nothing to draw it from.
func pictureOf(r *report.Report, id string, places []place) *picture {
	c, durationS := r.Curves, float64(r.Finished.DurationS)
	if c == nil || durationS <= 0 || c.ColumnS <= 0 {
		return nil
	}
	path, width := waveform(c)
	if width == 0 {
		return nil
	}
	marks, lanes := marksOf(places, durationS)
	p := &picture{ID: id, Marks: marks, Ticks: ticksOf(durationS), DurationS: durationS}
	y := lanes*laneHigh + gapHigh
	p.PlotTop = y
	p.Parts = append(p.Parts, wavePart(r, path, width, y))
	y += waveHigh + gapHigh
	p.Parts = append(p.Parts, loudnessPart(r, width, y))
	y += loudnessHigh + gapHigh
	p.Parts = append(p.Parts, gainPart(c, width, y))
	y += gainHigh
	p.PlotBottom, p.High = y, y+axisHigh
	p.Says = p.inWords(r)
	return p
}

// wavePart is the sound itself, with the limit of its loudest moment.
func wavePart(r *report.Report, path string, width, top int) part {
	p := part{Title: "Sound", Top: top, High: waveHigh, Width: width, UnitHigh: 254, Path: path, Filled: true}
	middle := float64(top) + waveHigh/2
	p.Lines = append(p.Lines, rule{Y: middle, Label: "0"})
	if l := limitOf(r, "sample_peak", "true_peak"); l != nil && l.Max != nil {
		a := meter.DB(*l.Max).Amplitude() * waveHigh / 2
		label := figure(float64(*l.Max)) + " dB"
		p.Lines = append(p.Lines, rule{Y: middle - a, Label: label, Limit: true}, rule{Y: middle + a, Label: label, Limit: true})
	}
	return p
}

// loudnessPart is the loudness from moment to moment. The limits are those of the whole
// chapter; a moment may lie outside.
func loudnessPart(r *report.Report, width, top int) part {
	const softest = -32.0 // pauses lie below and are drawn on the edge
	limit, loudestLUFS := limitOf(r, "loudness", "rms"), -14.0
	if limit != nil && limit.Max != nil {
		loudestLUFS = max(loudestLUFS, float64(*limit.Max)+2)
	}
	if l, ok := loudest(r.Curves); ok {
		loudestLUFS = max(loudestLUFS, math.Ceil(l)+1)
	}
	p := part{
		Title: "Loudness", Top: top, High: loudnessHigh,
		Width: width, UnitHigh: int((loudestLUFS - softest) * 4),
		Path: loudnessCurve(r.Curves, width, loudestLUFS, softest),
	}
	if limit == nil {
		return p
	}
	for _, v := range []*report.Figure{limit.Max, limit.Min} {
		if v != nil && float64(*v) > softest {
			y := float64(top) + (loudestLUFS-float64(*v))/(loudestLUFS-softest)*loudnessHigh
			p.Lines = append(p.Lines, rule{Y: y, Label: figure(float64(*v)) + " dB", Limit: true})
		}
	}
	return p
}

// gainPart is by how much each phrase was raised or lowered.
func gainPart(c *report.Curves, width, top int) part {
	most := max(6, math.Ceil((mostGain(c)+1)/3)*3)
	p := part{
		Title: "Raised or lowered", Top: top, High: gainHigh,
		Width: width, UnitHigh: int(most * 8), Path: gainCurve(c, width, most),
	}
	for _, db := range []float64{most, 0, -most} {
		p.Lines = append(p.Lines, rule{Y: float64(top) + (most-db)/(2*most)*gainHigh, Label: signed(db)})
	}
	return p
}

func signed(db float64) string {
	if db > 0 {
		return "+" + figure(db) + " dB"
	}
	return figure(db) + " dB"
}

// limitOf finds the limit of the first of the checks that the report has.
func limitOf(r *report.Report, names ...string) *report.Limit {
	for _, name := range names {
		for i := range r.Checks {
			if r.Checks[i].Name == name {
				return &r.Checks[i].Limit
			}
		}
	}
	return nil
}

// marksOf puts the places into as many lanes as keep them apart on a phone.
func marksOf(places []place, durationS float64) (marks []mark, lanes int) {
	const (
		mostLanes = 3
		apart     = 7.5 // percent: a mark's width on a phone
	)
	var ends [mostLanes]float64
	for i := range ends {
		ends[i] = -apart
	}
	for _, p := range places {
		x := min(100, 100*p.AtS/durationS)
		lane := 0
		for i, end := range ends {
			if x-end >= apart {
				lane = i
				break
			}
			if end < ends[lane] {
				lane = i // none is free: the one whose last mark is the farthest away
			}
		}
		ends[lane] = x
		lanes = max(lanes, lane+1)
		marks = append(marks, mark{
			place: p, X: percent(x), Y: lane*laneHigh + laneHigh/2,
			Says: fmt.Sprintf("%d, %s, play from %s", p.Number, p.Word, p.Clock),
		})
	}
	return marks, lanes
}

// ticksOf are at most seven round times, the first at the start.
func ticksOf(durationS float64) []tick {
	steps := []float64{5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600}
	step := steps[len(steps)-1]
	for _, s := range steps {
		if durationS/s <= 6 {
			step = s
			break
		}
	}
	var ticks []tick
	for s := 0.0; s <= durationS && len(ticks) < 60; s += step {
		t := tick{X: percent(100 * s / durationS), Label: report.Clock(s), Edge: "middle"}
		switch {
		case s == 0:
			t.Edge = "start"
		case s > 0.96*durationS:
			t.Edge = "end"
		}
		ticks = append(ticks, t)
	}
	return ticks
}

func percent(x float64) string { return strconv.FormatFloat(math.Round(x*100)/100, 'f', -1, 64) + "%" }

// inWords tells what the picture shows to somebody who does not see it.
func (p *picture) inWords(r *report.Report) string {
	var b strings.Builder
	m := r.Finished.Measured
	fmt.Fprintf(&b, "%s of sound. Its loudest moment is at %s dB, its level (RMS) is %s dB, its noise floor %s dB.",
		report.Clock(p.DurationS), level(m.SamplePeakDBFS), level(m.RMSDBFS), level(m.NoiseFloorDBFS))
	if lowest, highest, ok := gainSpan(r.Curves); ok {
		fmt.Fprintf(&b, " Phrases were changed by %s to %s.", signed(lowest), signed(highest))
	}
	if n := len(p.Marks); n > 0 {
		fmt.Fprintf(&b, " Marked: %s, told one by one in the list below.", count(n, "place", "places"))
	}
	return b.String()
}

func gainSpan(c *report.Curves) (lowest, highest float64, ok bool) {
	lowest, highest = math.Inf(1), math.Inf(-1)
	for _, v := range c.GainDB {
		db := float64(int8(v)) / 4
		lowest, highest, ok = min(lowest, db), max(highest, db), true
	}
	return lowest, highest, ok
}
