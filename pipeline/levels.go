package pipeline

import (
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// levels are the meters that need nothing but samples.
type levels struct {
	rms      []*meter.RMS
	peak     *meter.Peak
	truePeak []*meter.TruePeak
	loudness *meter.Loudness
	active   *meter.ActiveSpeech
	mono     []float32
	rateHz   int
	samples  int64
}

func newLevels(rateHz, channels int) levels {
	l := levels{
		peak: meter.NewPeak(), loudness: meter.NewLoudness(rateHz, channels),
		active: meter.NewActiveSpeech(rateHz), rateHz: rateHz,
	}
	for range channels {
		l.rms = append(l.rms, meter.NewRMS())
		l.truePeak = append(l.truePeak, meter.NewTruePeak(rateHz))
	}
	return l
}

func (l *levels) add(ch [][]float32) {
	l.samples += int64(len(ch[0]))
	for i, x := range ch {
		l.rms[i].Add(x)
		l.peak.Add(x)
		l.truePeak[i].Add(x)
	}
	l.loudness.Add(ch)
	if len(ch) == 1 {
		l.active.Add(ch[0])
		return
	}
	if len(l.mono) < len(ch[0]) {
		l.mono = make([]float32, len(ch[0]))
	}
	for i := range ch[0] {
		l.mono[i] = (ch[0][i] + ch[1][i]) / 2
	}
	l.active.Add(l.mono[:len(ch[0])])
}

// fill writes the figures into m. The RMS of two channels is that of all their
// samples together.
func (l *levels) fill(m *report.Measured) {
	var power float64
	m.TruePeakDBTP = meter.Silent
	for i := range l.rms {
		power += l.rms[i].DBFS().Power() / float64(len(l.rms))
		m.TruePeakDBTP = max(m.TruePeakDBTP, l.truePeak[i].DBTP())
	}
	m.RMSDBFS = meter.FromPower(power)
	m.SamplePeakDBFS = l.peak.DBFS()
	m.IntegratedLUFS = l.loudness.IntegratedLUFS()
	m.LoudnessRangeLU = l.loudness.LoudnessRangeLU()
	m.MaxShortTermLUFS = l.loudness.MaxShortTermLUFS()
	m.MaxMomentaryLUFS = l.loudness.MaxMomentaryLUFS()
	m.ActiveSpeechDBOV = l.active.Level()
	m.SpeechSharePct = report.Figure(l.active.SharePct())
	m.DurationS = report.Seconds(float64(l.samples) / float64(l.rateHz))
	m.Convention = "mono measured as one channel"
	if len(l.rms) == 2 {
		m.Convention = "two channels, loudness summed as ITU-R BS.1770 says"
	}
}
