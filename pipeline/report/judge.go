package report

import (
	"fmt"

	"lectern/config"
	"lectern/pipeline/meter"
)

// Judge holds the figures of a file against the delivery limits and returns one
// Check for each, in the order a person would look. The checks that only an MP3
// can meet are left out for a WAV. pauseS is where the longest pause near the
// middle lies, for the advice on a file that is too long.
func Judge(m Measured, f Format, d config.Delivery, pauseS float64) []Check {
	j := judge{d: d, m: m}
	if d.ByLoudness() {
		j.level("true_peak", m.TruePeakDBTP, nil, &d.TruePeakMaxDBTP, "dBTP", adviseSilent, adviseTruePeak)
		j.level("loudness", m.IntegratedLUFS, &d.LoudnessMinLUFS, &d.LoudnessMaxLUFS, "LUFS", adviseNoLoudness, adviseLoudness)
	} else {
		j.level("sample_peak", m.SamplePeakDBFS, nil, &d.PeakMaxDBFS, "dBFS", adviseSilent, adviseSamplePeak)
		j.level("rms", m.RMSDBFS, &d.RMSMinDBFS, &d.RMSMaxDBFS, "dBFS", adviseSilent, adviseRMS)
	}
	j.quiet("noise_floor", m.NoiseFloorDBFS, adviseNoiseFloor)
	j.quiet("room_tone", m.RoomToneDBFS, adviseRoomTone)
	j.span("head", m.HeadS, d.HeadMinS, d.HeadMaxS, adviseHead)
	j.span("tail", m.TailS, d.TailMinS, d.TailMaxS, adviseTail)
	if f.Codec == "MP3" {
		rate := float64(d.BitrateKbps)
		j.number("bitrate", f.BitrateKbps, &rate, &rate, "kbps", f.ConstantRate, adviseBitrate(f))
	}
	hz := 44100.0
	j.number("sample_rate", float64(f.SampleRateHz), &hz, &hz, "Hz", true, adviseSampleRate)
	one := 1.0
	j.number("channels", float64(f.Channels), &one, &one, "channels", true, adviseChannels)
	j.number("length", float64(m.DurationS)/60, nil, &d.LengthMaxMin, "min", true, adviseLength(pauseS))
	return j.checks
}

// Judge sets the verdict from the checks and findings.
func (r *Report) Judge() { r.Verdict = verdictOf(r.Checks, r.Findings()) }

// verdictOf is fail if a limit is missed, listen if a finding or a check needs a person's
// ear.
func verdictOf(checks []Check, findings []Finding) string {
	verdict := Pass
	for _, f := range findings {
		if f.NeedsEar() {
			verdict = Listen
		}
	}
	for _, c := range checks {
		switch {
		case c.Pass:
		case !c.asksPerson():
			return Fail
		default:
			verdict = Listen
		}
	}
	return verdict
}

// judge collects the checks.
type judge struct {
	d      config.Delivery
	m      Measured
	checks []Check
}

// advisor makes the sentence for a check that failed, from what was measured and
// the limit that was missed.
type advisor func(measured, limit float64, over bool) string

// level judges a level in dB. A file that has none fails with the advice none.
func (j *judge) level(name string, v meter.DB, least, most *float64, unit, none string, advise advisor) {
	if v.IsSilent() {
		j.add(Check{Name: name, Limit: limit(least, most, unit), Advice: none})
		return
	}
	j.number(name, float64(v), least, most, unit, true, advise)
}

// quiet judges a figure of the room, which must not be over its limit. A reading
// without the pauses it is measured in has none and passes.
func (j *judge) quiet(name string, v meter.DB, advise advisor) {
	if v.IsSilent() {
		j.add(Check{Name: name, Limit: limit(nil, &j.d.NoiseMaxDBFS, "dBFS"), Pass: true})
		return
	}
	j.number(name, float64(v), nil, &j.d.NoiseMaxDBFS, "dBFS", true, advise)
}

// span judges head or tail. Without speech there is none, and that fails.
func (j *judge) span(name string, v *Seconds, least, most float64, advise advisor) {
	if v == nil {
		j.add(Check{Name: name, Limit: limit(&least, &most, "s"), Advice: adviseNoSpeech})
		return
	}
	j.number(name, float64(*v), &least, &most, "s", true, advise)
}

// number judges any figure; also must hold as well.
func (j *judge) number(name string, v float64, least, most *float64, unit string, also bool, advise advisor) {
	measured := Figure(v)
	c := Check{Name: name, Limit: limit(least, most, unit), Measured: &measured, Pass: also}
	var missed float64
	over := false
	if least != nil && v < *least {
		c.Pass, missed = false, *least
	}
	if most != nil && v > *most {
		c.Pass, missed, over = false, *most, true
	}
	if !c.Pass {
		c.Advice = advise(v, missed, over)
	}
	j.add(c)
}

func (j *judge) add(c Check) { j.checks = append(j.checks, c) }

func limit(least, most *float64, unit string) Limit {
	l := Limit{Unit: unit}
	if least != nil {
		f := Figure(*least)
		l.Min = &f
	}
	if most != nil {
		f := Figure(*most)
		l.Max = &f
	}
	return l
}

// String tells a check as one line: "room_tone -52.3 dBFS, limit at most -60".
func (c Check) String() string {
	value := "none"
	if c.Measured != nil {
		value = fmt.Sprintf("%.2f %s", *c.Measured, c.Limit.Unit)
	}
	return fmt.Sprintf("%s %s, limit %s", c.Name, value, c.Limit)
}

// String tells a limit in words.
func (l Limit) String() string {
	switch {
	case l.Min != nil && l.Max != nil && *l.Min == *l.Max:
		return fmt.Sprintf("%g %s", *l.Max, l.Unit)
	case l.Min != nil && l.Max != nil:
		return fmt.Sprintf("%g to %g %s", *l.Min, *l.Max, l.Unit)
	case l.Max != nil:
		return fmt.Sprintf("at most %g %s", *l.Max, l.Unit)
	}
	return fmt.Sprintf("at least %g %s", *l.Min, l.Unit)
}
