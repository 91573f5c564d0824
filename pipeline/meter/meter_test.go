package meter

import (
	"encoding/json"
	"math"
	"testing"
)

func TestDecibel(t *testing.T) {
	for _, test := range []struct {
		level  DB
		text   string
		inJSON string
	}{
		{-20.1234, "-20.1", "-20.12"},
		{-23, "-23.0", "-23"},
		{0, "0.0", "0"},
		{-0.001, "0.0", "0"},
		{3.0103, "3.0", "3.01"},
		{Silent, "silent", "null"},
		{DB(math.NaN()), "silent", "null"},
	} {
		if got := test.level.String(); got != test.text {
			t.Errorf("String of %v: %q, want %q", float64(test.level), got, test.text)
		}
		text, err := json.Marshal(test.level)
		if err != nil || string(text) != test.inJSON {
			t.Errorf("JSON of %v: %s, %v; want %s", float64(test.level), text, err, test.inJSON)
		}
	}
	var both struct{ A, B DB }
	if err := json.Unmarshal([]byte(`{"A": null, "B": -60.25}`), &both); err != nil {
		t.Fatal(err)
	}
	if !both.A.IsSilent() || both.B != -60.25 {
		t.Errorf("read %v and %v, want silence and -60.25", both.A, both.B)
	}
	if err := json.Unmarshal([]byte(`{"A": "loud"}`), &both); err == nil {
		t.Error("a word was read as a level")
	}
}

// The points at which decibels are known without arithmetic.
func TestConversions(t *testing.T) {
	for _, test := range []struct {
		name      string
		got, want float64
	}{
		{"amplitude 1", float64(FromAmplitude(1)), 0},
		{"amplitude 0.1", float64(FromAmplitude(0.1)), -20},
		{"power 0.1", float64(FromPower(0.1)), -10},
		{"-20 dB as amplitude", DB(-20).Amplitude(), 0.1},
		{"-20 dB as power", DB(-20).Power(), 0.01},
		{"silence as amplitude", Silent.Amplitude(), 0},
		{"silence as power", Silent.Power(), 0},
	} {
		if math.Abs(test.got-test.want) > 1e-12 {
			t.Errorf("%s: %v, want %v", test.name, test.got, test.want)
		}
	}
	if !FromAmplitude(0).IsSilent() || !FromPower(0).IsSilent() || DB(-200).IsSilent() {
		t.Error("silence is zero, and only zero")
	}
}

// TestSilence holds that digital silence, and nothing at all, is null.
func TestSilence(t *testing.T) {
	for _, seconds := range []int{0, 10} {
		x := make([]float32, seconds*48000)
		loudness, speech := measuredLoudness(48000, 1, x), measuredSpeech(48000, x)
		text, err := json.Marshal([]DB{
			measuredRMS(x), measuredPeak(x), measuredTruePeak(48000, x),
			loudness.IntegratedLUFS(), loudness.MaxMomentaryLUFS(), loudness.MaxShortTermLUFS(), loudness.LoudnessRangeLU(),
			speech.Level(),
		})
		if want := "[null,null,null,null,null,null,null,null]"; err != nil || string(text) != want {
			t.Errorf("%d s of silence: %s, %v; want %s", seconds, text, err, want)
		}
		if share := speech.SharePct(); share != 0 {
			t.Errorf("%d s of silence: %g %% of it is speech", seconds, share)
		}
	}
}

// TestQuietIsNotLoud holds that sound wholly below the absolute gate has no
// integrated loudness (BS.1770-5 annex 1, eq. (4)), though it has a momentary one.
func TestQuietIsNotLoud(t *testing.T) {
	m := measuredLoudness(48000, 1, tone(48000, 997, step{5, -70}))
	if got := m.IntegratedLUFS(); !got.IsSilent() {
		t.Errorf("integrated %v, want none", got)
	}
	if got := float64(m.MaxMomentaryLUFS()); math.Abs(got+73.01) > 0.02 {
		t.Errorf("momentary %.2f, want -73.01", got)
	}
}

// TestKWeightCoefficients: BS.1770-5 annex 1 tables 1 and 2 at 48 kHz. At
// 44.1 kHz, computed from the same analog filters; the high-pass is scaled so as
// to keep the response of 48 kHz.
func TestKWeightCoefficients(t *testing.T) {
	for _, test := range []struct {
		rateHz          int
		shelf, highPass [5]float64 // b0, b1, b2, a1, a2
		tolerance       float64
	}{
		{
			48000,
			[5]float64{1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585},
			[5]float64{1, -2, 1, -1.99004745483398, 0.99007225036621},
			1e-11,
		},
		{
			44100,
			[5]float64{1.5308412300498355, -2.6509799951536985, 1.1690790799210682, -1.6636551132560204, 0.7125954280732254},
			[5]float64{0.9995600645, -2 * 0.9995600645, 0.9995600645, -1.9891696736297957, 0.98919903578703938},
			1e-9,
		},
	} {
		w := newKWeight(test.rateHz)
		for i, got := range coefficients(w.shelf) {
			if math.Abs(got-test.shelf[i]) > test.tolerance {
				t.Errorf("%d Hz: shelf %d is %.14f, want %.14f", test.rateHz, i, got, test.shelf[i])
			}
		}
		for i, got := range coefficients(w.highPass) {
			if math.Abs(got-test.highPass[i]) > test.tolerance {
				t.Errorf("%d Hz: high-pass %d is %.14f, want %.14f", test.rateHz, i, got, test.highPass[i])
			}
		}
	}
}

func coefficients(b biquad) [5]float64 { return [5]float64{b.b0, b.b1, b.b2, b.a1, b.a2} }

// kGainDB hears one second of a tone after the filter has settled.
func kGainDB(w kWeight, rateHz, hz int) float64 {
	x := tone(rateHz, hz, step{2, 0})
	w.addEnergy(0, x[:rateHz])
	in := 0.0
	for _, v := range x[rateHz:] {
		in += float64(v) * float64(v)
	}
	return 10 * math.Log10(w.addEnergy(0, x[rateHz:])/in)
}

// TestKWeightGain: computed from BS.1770-5 tables 1 and 2. Other rates than
// 48 kHz bend the shelf a little, more so where the top is near.
func TestKWeightGain(t *testing.T) {
	for _, test := range []struct {
		hz     int
		wantDB float64
	}{
		{997, 0.691014}, {1000, 0.697704}, {100, -1.1335}, {25, -10.3928}, {500, 0.0425}, {2000, 3.0713}, {10000, 4.0419},
	} {
		for rateHz, tolerance := range map[int]float64{48000: 0.001, 44100: 0.006, 96000: 0.02, 192000: 0.02} {
			if got := kGainDB(newKWeight(rateHz), rateHz, test.hz); math.Abs(got-test.wantDB) > tolerance {
				t.Errorf("%d Hz: gain at %d Hz %.4f dB, want %.4f +-%g", rateHz, test.hz, got, test.wantDB, tolerance)
			}
		}
	}
}

// TestAnchor: BS.1770-5 annex 1, text after eq. (7): a full-scale sine of 997 Hz in
// one channel reads -3.01. Below 32 kHz the bilinear transform bends the shelf; down
// to 16 kHz the 0.1 LU of Tech 3341 are kept.
func TestAnchor(t *testing.T) {
	for rateHz, tolerance := range map[int]float64{
		16000: 0.1, 22050: 0.1, 32000: 0.01, 44100: 0.01, 48000: 0.01, 88200: 0.01, 96000: 0.01, 176400: 0.01, 192000: 0.01,
	} {
		got := float64(measuredLoudness(rateHz, 1, tone(rateHz, 997, step{5, 0})).IntegratedLUFS())
		if math.Abs(got+3.01) > tolerance {
			t.Errorf("%d Hz: %.4f LUFS, want -3.01 +-%g", rateHz, got, tolerance)
		}
	}
}

// TestOneAndTwoChannels: BS.1770-5 annex 1 eqs. (1), (2) and table 1 give 1 kHz at
// -23 dBFS to the fourth digit at 48 kHz.
func TestOneAndTwoChannels(t *testing.T) {
	for channels, want := range map[int]float64{1: -26.0036, 2: -22.9933} {
		if got := float64(measuredLoudness(48000, channels, tone(48000, 1000, step{20, -23})).IntegratedLUFS()); math.Abs(got-want) > 0.001 {
			t.Errorf("%d channels: %.4f LUFS, want %.4f", channels, got, want)
		}
	}
}

// TestKWeightIsMadeForTheRate guards the guard: were the filter of 48 kHz used
// at 44.1 kHz, 997 Hz would read 0.21 dB high, which the anchor's 0.01 catches.
func TestKWeightIsMadeForTheRate(t *testing.T) {
	right, wrong := kGainDB(newKWeight(44100), 44100, 997), kGainDB(newKWeight(48000), 44100, 997)
	if got := wrong - right; math.Abs(got-0.21) > 0.01 {
		t.Errorf("the wrong filter is %.3f dB off, want 0.21", got)
	}
}

// TestHopsToTheNearestSample: BS.1770-5 annex 1 wants blocks to the nearest sample.
// At 11.025 and 22.05 kHz a hop of 10 ms is no whole number of them.
func TestHopsToTheNearestSample(t *testing.T) {
	for _, rateHz := range []int{8000, 11025, 22050, 44100, 48000} {
		m := NewLoudness(rateHz, 1)
		for hop := range int64(500) {
			if off := float64(m.frameOf(hop)) - float64(hop)*float64(rateHz)/hopsPerSecond; math.Abs(off) > 0.5 {
				t.Fatalf("%d Hz: hop %d begins %.2f samples off", rateHz, hop, off)
			}
		}
	}
}

// TestConstantWindows: EBU Tech 3341 cases 9 and 12 ask for a reading that does
// not move, 3 s and 1 s after the start.
func TestConstantWindows(t *testing.T) {
	for _, test := range []struct {
		name   string
		steps  []step
		hops   int64
		fromS  float64
		wantDB float64
	}{
		{"case 9", repeated(5, step{1.34, -20}, step{1.66, -30}), shortTermHops, 3, -23},
		{"case 12", repeated(25, step{0.18, -20}, step{0.22, -30}), momentaryHops, 1, -23},
	} {
		x := tone(48000, 1000, test.steps...)
		m := NewLoudness(48000, 2)
		low, high := math.Inf(1), math.Inf(-1)
		for from := 0; from < len(x); from += 480 {
			block := x[from:min(from+480, len(x))]
			m.Add([][]float32{block, block})
			if float64(from+480) > test.fromS*48000 {
				got := float64(lufs(m.meanOfLast(test.hops)))
				low, high = min(low, got), max(high, got)
			}
		}
		if math.Abs(low-test.wantDB) > 0.1 || math.Abs(high-test.wantDB) > 0.1 {
			t.Errorf("%s: from %.3f to %.3f, want %.1f +-0.1 throughout", test.name, low, high, test.wantDB)
		}
	}
}

// TestRangeOfRepeatedSignal: Tech 3342 section 3.1, the range does not change
// if the signal is repeated.
func TestRangeOfRepeatedSignal(t *testing.T) {
	steps := []step{{30, -20}, {30, -32}}
	once := float64(measuredLoudness(44100, 1, tone(44100, 1000, steps...)).LoudnessRangeLU())
	twice := float64(measuredLoudness(44100, 1, tone(44100, 1000, repeated(2, steps...)...)).LoudnessRangeLU())
	if math.Abs(once-12) > 0.05 || math.Abs(twice-once) > 0.05 {
		t.Errorf("once %.3f LU, twice %.3f LU; want 12 both times", once, twice)
	}
}

// TestRangePercentiles: 12 % of the sound is soft, 8 % loud, so that the 10th
// percentile is the soft level and the 95th the loud one (Tech 3342 section 3.1).
func TestRangePercentiles(t *testing.T) {
	x := tone(8000, 1000, step{36, -35}, step{120, -25}, step{24, -20}, step{120, -25})
	if got := float64(measuredLoudness(8000, 1, x).LoudnessRangeLU()); math.Abs(got-15) > 0.05 {
		t.Errorf("range %.3f LU, want 15", got)
	}
}

// TestNearestRank: Tech 3342 section 5, sorted[round((n-1)*p/100 + 1)] from 1.
func TestNearestRank(t *testing.T) {
	values := make([]float64, 20)
	for i := range values {
		values[i] = float64(i + 1)
	}
	if low, high := nearestRank(values, 10), nearestRank(values, 95); low != 3 || high != 19 {
		t.Errorf("10 %% and 95 %% of 1..20: %g and %g, want 3 and 19", low, high)
	}
}

// The mean is over as many samples as there are, however few.
func TestRMSOfAFewSamples(t *testing.T) {
	want := 20 * math.Log10(0.5)
	for n := 1; n <= 3; n++ {
		x := make([]float32, n)
		for i := range x {
			x[i] = 0.5
		}
		if got := float64(measuredRMS(x)); math.Abs(got-want) > 1e-6 {
			t.Errorf("%d samples: %g, want %g", n, got, want)
		}
	}
}

func TestPeakOfEitherSign(t *testing.T) {
	for _, x := range [][]float32{{0.1, -0.5, 0.2}, {-0.1, 0.5, -0.2}} {
		if got := float64(measuredPeak(x)); math.Abs(got+6.0206) > 1e-4 {
			t.Errorf("peak of %v is %.4f, want -6.0206", x, got)
		}
	}
}

func TestNoAllocationPerBlock(t *testing.T) {
	x := noise(4096, 0.5, 1)
	ch := [][]float32{x, x}
	rms, peak, truePeak := NewRMS(), NewPeak(), NewTruePeak(44100)
	loudness, speech := NewLoudness(44100, 2), NewActiveSpeech(44100)
	allocs := testing.AllocsPerRun(100, func() {
		rms.Add(x)
		peak.Add(x)
		truePeak.Add(x)
		loudness.Add(ch)
		speech.Add(x)
	})
	if allocs > 0 {
		t.Errorf("%g allocations a block", allocs)
	}
}

// TestDyingSoundStaysFast holds that states which fade in digital silence end at
// zero, and not among the numbers that slow a processor down.
func TestDyingSoundStaysFast(t *testing.T) {
	x := tone(48000, 100, step{1, 0}, step{60, silence})
	loudness, speech := measuredLoudness(48000, 1, x), measuredSpeech(48000, x)
	w := loudness.channels[0]
	if w.shelf.s1 != 0 || w.shelf.s2 != 0 || w.highPass.s1 != 0 || w.highPass.s2 != 0 {
		t.Errorf("after a minute of silence the weighting still holds %v and %v", w.shelf, w.highPass)
	}
	if speech.first != 0 || speech.env != 0 {
		t.Errorf("after a minute of silence the envelope still holds %g and %g", speech.first, speech.env)
	}
}
