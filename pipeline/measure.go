package pipeline

import (
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
	"lectern/pipeline/resample"
	"lectern/pipeline/speech"
)

// mapRumbleHz is the corner of the filter in front of every map that is drawn
// only to measure: rumble must not be taken for speech. The figures themselves are
// of the sound as it is.
const mapRumbleHz = 70

// measurement measures a stream as it passes: every figure of report.Measured.
type measurement struct {
	levels    levels
	converter *resample.Converter
	filter    *rumbleFilter
	analyzer  *speech.Analyzer
	plain     framePower // at 44.1 kHz, unfiltered
	buf       []float32
	filtered  []float32
}

func newMeasurement(rateHz, channels int) *measurement {
	return &measurement{
		levels:    newLevels(rateHz, channels),
		converter: resample.New(rateHz),
		filter:    newRumbleFilter(mapRumbleHz),
		analyzer:  speech.NewAnalyzer(),
	}
}

// add measures the next samples, one slice a channel.
func (m *measurement) add(ch [][]float32) error {
	m.levels.add(ch)
	n := len(ch[0])
	if len(m.buf) < n {
		m.buf = make([]float32, n)
	}
	mono := m.buf[:n]
	copy(mono, ch[0])
	for _, x := range ch[1:] {
		for i := range mono {
			mono[i] = (mono[i] + x[i]) / 2
		}
	}
	return m.converter.Write(mono, m.take)
}

// take gets the stream at 44.1 kHz. The block is the converter's own, so it is
// filtered in a copy.
func (m *measurement) take(block []float32) error {
	m.plain.add(block)
	m.filtered = append(m.filtered[:0], block...)
	m.filter.apply(m.filtered)
	m.analyzer.Add(m.filtered)
	return nil
}

// result ends the stream. laidIn marks the frames of laid-in tone, nil if there
// are none.
func (m *measurement) result(laidIn []bool) (report.Measured, *speech.Map, error) {
	if err := m.converter.Close(m.take); err != nil {
		return report.Measured{}, nil, err
	}
	var out report.Measured
	m.levels.fill(&out)
	drawn := speech.Draw(m.analyzer.Features())
	fillFromMap(&out, drawn, m.plain.frames(drawn.Features.Len()), laidIn)
	return out, drawn, nil
}

// fillFromMap adds the figures that need to know where the words are. power is
// the plain power of each frame.
func fillFromMap(out *report.Measured, m *speech.Map, power []float32, laidIn []bool) {
	out.NoiseFloorDBFS = meter.FromPower(noiseFloorPower(power, m.Pauses))
	out.RoomToneDBFS = meter.FromPower(roomTonePower(power, m.Pauses, notRoom(len(power), m.Sounds, laidIn)))
	out.ReadingRMSDBFS = meter.Silent
	if len(m.Phrases) == 0 {
		return
	}
	levels := make([]float64, len(m.Phrases))
	for i, p := range m.Phrases {
		levels[i] = float64(meter.FromPower(meanPower(power, p)))
	}
	out.PhraseSpreadDB = report.Figure(phraseSpreadDB(m.Phrases, levels))
	body := speech.Span{From: m.Phrases[0].From, To: m.Phrases[len(m.Phrases)-1].To}
	out.ReadingRMSDBFS = meter.FromPower(meanPower(power, body))
	head := report.Seconds(float64(body.From) / framesPerSecond)
	// The last frame may reach a little beyond the last sample.
	tail := max(0, out.DurationS-report.Seconds(float64(body.To)/framesPerSecond))
	out.HeadS, out.TailS = &head, &tail
}
