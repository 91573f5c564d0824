package pipeline

import (
	"lectern/config"
	"lectern/pipeline/findings"
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
	listener  *findings.Listener
	samples   *findings.Samples // nil where a survey hears them
	plain     framePower        // at 44.1 kHz, unfiltered
	buf       []float32
	filtered  []float32
}

// newMeasurement measures a stream; newHearing hears the faults of its samples too.
func newMeasurement(rateHz, channels int) *measurement {
	return &measurement{
		levels:    newLevels(rateHz, channels),
		converter: resample.New(rateHz),
		filter:    newRumbleFilter(mapRumbleHz),
		analyzer:  speech.NewAnalyzer(),
		listener:  findings.NewListener(),
	}
}

func newHearing(rateHz, channels int) *measurement {
	m := newMeasurement(rateHz, channels)
	m.samples = findings.NewSamples(rateHz, channels)
	return m
}

// expect makes room for a stream of so many samples at 44.1 kHz.
func (m *measurement) expect(samples int64) {
	m.analyzer.Expect(samples)
	m.plain.expect(samples)
}

// hear measures all that stream hands over, on several cores where there are: see aside.
// Others may hear the same blocks.
func (m *measurement) hear(workers int, stream func(add use) error, others ...use) error {
	return aside(workers, func(asIs use) error {
		return aside(workers, func(converted use) error {
			err := stream(func(ch [][]float32) error {
				if err := asIs(ch); err != nil {
					return err
				}
				return m.convert(ch, converted)
			})
			if err != nil {
				return err
			}
			return m.converter.Close(inMono(converted))
		}, m.usesConverted()...)
	}, append(others, m.usesAsIs()...)...)
}

// usesAsIs hear the stream itself, usesConverted its mix to mono at 44.1 kHz.
func (m *measurement) usesAsIs() []use {
	if m.samples == nil {
		return []use{hearing(m.levels.add)}
	}
	return []use{hearing(m.levels.add), hearing(m.samples.Add)}
}

func (m *measurement) usesConverted() []use { return []use{m.listen, m.draw} }

// convert mixes the next samples and hands them on at 44.1 kHz.
func (m *measurement) convert(ch [][]float32, converted use) error {
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
	return m.converter.Write(mono, inMono(converted))
}

// inMono hands on a block as the only channel.
func inMono(to use) func(block []float32) error {
	one := make([][]float32, 1)
	return func(block []float32) error {
		one[0] = block
		return to(one)
	}
}

func (m *measurement) listen(mono [][]float32) error {
	m.plain.add(mono[0])
	m.listener.Add(mono[0])
	return nil
}

func (m *measurement) draw(mono [][]float32) error {
	m.filtered = append(m.filtered[:0], mono[0]...) // others hear the block too
	m.filter.apply(m.filtered)
	m.analyzer.Add(m.filtered)
	return nil
}

// result tells what was heard. laidIn marks the frames of laid-in tone, nil if there
// are none.
func (m *measurement) result(laidIn []bool) (report.Measured, *speech.Map) {
	var out report.Measured
	m.levels.fill(&out)
	drawn := speech.Draw(m.analyzer.Features())
	fillFromMap(&out, drawn, m.plain.frames(drawn.Features.Len()), laidIn)
	return out, drawn
}

// faults tells what is wrong with the stream, once result has drawn its map.
func (m *measurement) faults(drawn *speech.Map, d config.Delivery) findings.Faults {
	return m.listener.Conclude(drawn, aimOf(d), silentVoiceDBFS)
}

// sampleFaults tells what its samples show, if they were heard.
func (m *measurement) sampleFaults() findings.SampleFaults {
	if m.samples == nil {
		return findings.SampleFaults{}
	}
	return m.samples.Conclude()
}

// aimOf is the part of the delivery that faults are measured by.
func aimOf(d config.Delivery) findings.Aim {
	return findings.Aim{RMSDBFS: d.VoiceAimDB(), NoiseMaxDBFS: d.NoiseMaxDBFS}
}

// silentVoiceDBFS stands for the level of a reading where there are no words: a
// voice in a raw recording is commonly near it (our choice).
const silentVoiceDBFS = -26

// fillColors adds the spectra of the voice and of the room.
func fillColors(out *report.Measured, f findings.Faults) {
	out.VoiceBandsDB, out.RoomBandsDBFS = bands(f.Voice), bands(f.Room)
}

func bands(c findings.Color) []report.Figure {
	var out []report.Figure
	for _, db := range c {
		out = append(out, report.Figure(db))
	}
	return out
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
