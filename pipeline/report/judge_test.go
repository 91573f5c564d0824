package report

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lectern/config"
	"lectern/pipeline/meter"
)

// check returns the check of that name, or fails.
func check(t *testing.T, checks []Check, name string) Check {
	t.Helper()
	i := slices.IndexFunc(checks, func(c Check) bool { return c.Name == name })
	if i < 0 {
		t.Fatalf("there is no check %s", name)
	}
	return checks[i]
}

func names(checks []Check) (out []string) {
	for _, c := range checks {
		out = append(out, c.Name)
	}
	return out
}

var mp3 = Format{Codec: "MP3", SampleRateHz: 44100, Channels: 1, BitrateKbps: 192, ConstantRate: true, Frames: 1}

// Each check at its limits, just inside and just outside of them: the default
// limits, which design and README state.
func TestJudgeAtTheLimits(t *testing.T) {
	const hair = 1e-9
	type file struct {
		m Measured
		f Format
	}
	tests := []struct {
		name  string
		least *float64
		most  *float64
		put   func(*file, float64)
		step  float64 // the smallest change there can be; hair if 0
		soft  string  // words of the advice below the least
		loud  string  // words of the advice over the most
	}{
		{name: "sample_peak", most: ptr(-3.0), put: func(f *file, v float64) { f.m.SamplePeakDBFS = meter.DB(v) }, loud: "loudest moment"},
		{name: "rms", least: ptr(-23.0), most: ptr(-18.0), put: func(f *file, v float64) { f.m.RMSDBFS = meter.DB(v) }, soft: "too soft", loud: "too loud"},
		{name: "noise_floor", most: ptr(-60.0), put: func(f *file, v float64) { f.m.NoiseFloorDBFS = meter.DB(v) }, loud: "quietest"},
		{name: "room_tone", most: ptr(-60.0), put: func(f *file, v float64) { f.m.RoomToneDBFS = meter.DB(v) }, loud: "in your pauses"},
		{name: "head", least: ptr(0.45), most: ptr(1.05), put: func(f *file, v float64) { f.m.HeadS = ptr(Seconds(v)) }, soft: "before the first word", loud: "until the first word"},
		{name: "tail", least: ptr(0.95), most: ptr(5.05), put: func(f *file, v float64) { f.m.TailS = ptr(Seconds(v)) }, soft: "after the last word", loud: "after the last word"},
		{name: "bitrate", least: ptr(192.0), most: ptr(192.0), put: func(f *file, v float64) { f.f.BitrateKbps = v }, soft: "bit rate", loud: "bit rate"},
		{name: "sample_rate", least: ptr(44100.0), most: ptr(44100.0), put: func(f *file, v float64) { f.f.SampleRateHz = int(v) }, step: 1, soft: "sample rate", loud: "sample rate"},
		{name: "channels", least: ptr(1.0), most: ptr(1.0), put: func(f *file, v float64) { f.f.Channels = int(v) }, step: 1, soft: "mono", loud: "mono"},
		{name: "length", most: ptr(115.0), put: func(f *file, v float64) { f.m.DurationS = Seconds(v * 60) }, loud: "Split it"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			step := max(tt.step, hair)
			try := func(v float64, pass bool, words string) {
				t.Helper()
				f := file{made().Finished.Measured, mp3}
				tt.put(&f, v)
				checks := Judge(f.m, f.f, config.Default().Delivery, 3600)
				c := check(t, checks, tt.name)
				if c.Pass != pass {
					t.Errorf("%.10g: pass = %v, want %v", v, c.Pass, pass)
				}
				if pass && c.Advice != "" || !pass && !strings.Contains(c.Advice, words) {
					t.Errorf("%.10g: advice %q, want words on %q", v, c.Advice, words)
				}
				if c.Measured == nil || float64(*c.Measured) != v {
					t.Errorf("%.10g: measured is %v", v, c.Measured)
				}
				for _, other := range checks {
					if other.Name != tt.name && !other.Pass {
						t.Errorf("%.10g: %s fails too", v, other.Name)
					}
				}
				if d := cmp.Diff(tt.least, (*float64)(c.Limit.Min)); d != "" {
					t.Error("limit below:", d)
				}
				if d := cmp.Diff(tt.most, (*float64)(c.Limit.Max)); d != "" {
					t.Error("limit above:", d)
				}
			}
			exact := tt.least != nil && tt.most != nil && *tt.least == *tt.most
			if tt.least != nil {
				try(*tt.least, true, "")
				try(*tt.least-step, false, tt.soft)
				if !exact {
					try(*tt.least+step, true, "")
				}
			}
			if tt.most != nil {
				try(*tt.most, true, "")
				try(*tt.most+step, false, tt.loud)
				if !exact {
					try(*tt.most-step, true, "")
				}
			}
		})
	}
}

// Delivery by loudness is judged by true peak and loudness, at their limits too, and
// sample peak and RMS count no more.
func TestJudgeByLoudness(t *testing.T) {
	d := config.Default().Delivery
	d.LoudnessAimLUFS, d.LoudnessMinLUFS, d.LoudnessMaxLUFS, d.TruePeakMaxDBTP = -18, -20, -16, -1
	for _, tt := range []struct {
		name  string
		put   func(*Measured, meter.DB)
		v     meter.DB
		words string // of the advice; empty if it passes
	}{
		{"true_peak", func(m *Measured, v meter.DB) { m.TruePeakDBTP = v }, -1, ""},
		{"true_peak", func(m *Measured, v meter.DB) { m.TruePeakDBTP = v }, -1 + 1e-9, "true peak"},
		{"true_peak", func(m *Measured, v meter.DB) { m.TruePeakDBTP = v }, meter.Silent, adviseSilent},
		{"loudness", func(m *Measured, v meter.DB) { m.IntegratedLUFS = v }, -20, ""},
		{"loudness", func(m *Measured, v meter.DB) { m.IntegratedLUFS = v }, -20 - 1e-9, "too soft"},
		{"loudness", func(m *Measured, v meter.DB) { m.IntegratedLUFS = v }, -16, ""},
		{"loudness", func(m *Measured, v meter.DB) { m.IntegratedLUFS = v }, -16 + 1e-9, "too loud"},
		{"loudness", func(m *Measured, v meter.DB) { m.IntegratedLUFS = v }, meter.Silent, adviseNoLoudness},
	} {
		m := made().Finished.Measured
		m.TruePeakDBTP, m.IntegratedLUFS = -1.5, -18
		m.SamplePeakDBFS, m.RMSDBFS = -0.1, -10 // far beyond their limits
		tt.put(&m, tt.v)
		checks := Judge(m, mp3, d, 0)
		c := check(t, checks, tt.name)
		if c.Pass != (tt.words == "") || !strings.Contains(c.Advice, tt.words) {
			t.Errorf("%s %v: pass %v, advice %q", tt.name, tt.v, c.Pass, c.Advice)
		}
		want := []string{"true_peak", "loudness", "noise_floor", "room_tone", "head", "tail", "bitrate", "sample_rate", "channels", "length"}
		if diff := cmp.Diff(want, names(checks)); diff != "" {
			t.Error("order:", diff)
		}
		for _, other := range checks {
			if other.Name != tt.name && !other.Pass {
				t.Errorf("%s %v: %s fails too", tt.name, tt.v, other.Name)
			}
		}
		// The schema knows both checks, passed and failed.
		r := made()
		r.Checks = checks
		r.Steps[1].GaveWay = []GaveWay{{"loudness", -0.4}}
		r.Judge()
		if err := compiled(t, "").Validate(decoded(t, marshal(t, r))); err != nil {
			t.Errorf("%s %v: %v", tt.name, tt.v, err)
		}
	}
}

// The limits are those of the settings, not the defaults.
func TestJudgeBySettings(t *testing.T) {
	d := config.Default().Delivery
	d.PeakMaxDBFS, d.NoiseMaxDBFS, d.BitrateKbps, d.LengthMaxMin = -6, -65, 256, 10
	got := Judge(made().Finished.Measured, mp3, d, 0)
	for _, name := range []string{"sample_peak", "noise_floor", "room_tone", "bitrate", "length"} {
		if check(t, got, name).Pass {
			t.Errorf("%s passes under a tighter limit", name)
		}
	}
}

func TestJudgeOrder(t *testing.T) {
	m, d := made().Finished.Measured, config.Default().Delivery
	want := []string{"sample_peak", "rms", "noise_floor", "room_tone", "head", "tail", "bitrate", "sample_rate", "channels", "length"}
	if diff := cmp.Diff(want, names(Judge(m, mp3, d, 0))); diff != "" {
		t.Error("of an MP3:", diff)
	}
	wav := Format{Codec: "WAV", SampleRateHz: 44100, Channels: 1}
	if diff := cmp.Diff(slices.DeleteFunc(want, func(n string) bool { return n == "bitrate" }), names(Judge(m, wav, d, 0))); diff != "" {
		t.Error("of a WAV:", diff)
	}
}

// A rate that changes fails, also if it is right on average.
func TestJudgeChangingRate(t *testing.T) {
	f := mp3
	f.ConstantRate = false
	c := check(t, Judge(made().Finished.Measured, f, config.Default().Delivery, 0), "bitrate")
	if c.Pass || !strings.Contains(c.Advice, "constant bit rate") {
		t.Errorf("got %v, %q", c.Pass, c.Advice)
	}
}

// Silence has no level and no words: that fails. A reading without pauses has no
// figure of the room: that does not.
func TestJudgeWithoutFigures(t *testing.T) {
	checks := Judge(silent(), mp3, config.Default().Delivery, 0)
	for name, want := range map[string]string{
		"sample_peak": adviseSilent, "rms": adviseSilent, "head": adviseNoSpeech, "tail": adviseNoSpeech,
		"noise_floor": "", "room_tone": "",
	} {
		c := check(t, checks, name)
		if c.Measured != nil || c.Pass != (want == "") || c.Advice != want {
			t.Errorf("%s: measured %v, pass %v, advice %q", name, c.Measured, c.Pass, c.Advice)
		}
	}
}

func TestVerdict(t *testing.T) {
	good := []Check{{Pass: true}, {Pass: true}}
	missed := []Check{{Pass: true}, {}, {Pass: true}}
	calm := Finding{Kind: "tone_laid_in"}
	at := ptr(Seconds(61))
	clip := Finding{Kind: "clipped", FinishedAtS: at}
	for _, tt := range []struct {
		name     string
		checks   []Check
		findings []Finding
		want     string
	}{
		{"all met", good, nil, Pass},
		{"a finding that only informs", good, []Finding{calm}, Pass},
		{"one to hear among others", good, []Finding{calm, clip, calm}, Listen},
		{"one that was cut away", good, []Finding{{Kind: "clipped"}}, Pass},
		{"a limit missed", missed, nil, Fail},
		{"both", missed, []Finding{clip}, Fail},
	} {
		if got := verdictOf(tt.checks, tt.findings); got != tt.want {
			t.Errorf("%s: %s, want %s", tt.name, got, tt.want)
		}
	}
	for _, kind := range []string{"clipped", "truncated", "unfinished", "not_a_number", "silence_inside", "unlike_channels", "join_stands_out", "mark_alone", "damaged",
		"clipped_lowered", "soft_clipped", "drop_out", "repeated", "click", "thump", "long_pause", "room_change", "tone_change"} {
		if got := verdictOf(good, []Finding{{Kind: kind, FinishedAtS: at}}); got != Listen {
			t.Errorf("%s: %s, want listen", kind, got)
		}
	}
	for _, kind := range []string{"dead_channel", "swapped_polarity", "dc_offset", "tone_laid_in", "noise_left", "hum", "rumble", "speech_soft", "narrow_band", "joined"} {
		if got := verdictOf(good, []Finding{{Kind: kind}}); got != Pass {
			t.Errorf("%s: %s, want pass", kind, got)
		}
	}
}

// What the raws showed counts as much as what the finished file shows.
func TestVerdictLooksAtRaws(t *testing.T) {
	r := settled()
	r.Finished.Findings = nil
	if r.Judge(); r.Verdict != Listen {
		t.Errorf("a clipped raw: %s, want listen", r.Verdict)
	}
	r.Raws[0].Findings = nil
	if r.Judge(); r.Verdict != Pass {
		t.Errorf("nothing to hear: %s, want pass", r.Verdict)
	}
	c := Checked{Checks: r.Checks, Findings: []Finding{{Kind: "damaged"}}}
	if c.Judge(); c.Verdict != Listen {
		t.Errorf("a damaged file: %s, want listen", c.Verdict)
	}
}

func TestCheckAsALine(t *testing.T) {
	least, most := ptr(Figure(0.45)), ptr(Figure(1.05))
	for want, c := range map[string]Check{
		"room_tone -52.30 dBFS, limit at most -60 dBFS": {Name: "room_tone", Measured: ptr(Figure(-52.3)), Limit: Limit{Max: ptr(Figure(-60)), Unit: "dBFS"}},
		"head 0.50 s, limit 0.45 to 1.05 s":             {Name: "head", Measured: ptr(Figure(0.5)), Limit: Limit{least, most, "s"}},
		"head none, limit at least 0.45 s":              {Name: "head", Limit: Limit{Min: least, Unit: "s"}},
		"bitrate 320.00 kbps, limit 192 kbps":           {Name: "bitrate", Measured: ptr(Figure(320)), Limit: Limit{ptr(Figure(192)), ptr(Figure(192)), "kbps"}},
	} {
		if got := c.String(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
