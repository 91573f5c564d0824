package pipeline

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	shine "github.com/braheezy/shine-mp3/pkg/mp3"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/resample"
)

// TestNullFigures holds the chain to its rows of the quality bench on what it may
// not change, alone.
func TestNullFigures(t *testing.T) {
	q := &quality{t: t, cases: map[string]int{}}
	q.nulls()
	q.report()
}

// nullRaw is a raw at its own rate.
type nullRaw struct {
	name   string
	rateHz int
	x      []float32
}

// nullRaws are made readings at four rates, and one real reading of each reader.
func nullRaws(t *testing.T) []nullRaw {
	var out []nullRaw
	for i, rateHz := range []int{44100, 48000, 96000, 22050} {
		x := ferry(uint64(3+i), -62).Float32()
		if rateHz != sampleRateHz {
			x = floats(outsideIn(t, x, "ffmpeg", "-v", "error", "-f", "f32le", "-ar", "44100", "-ac", "1", "-i", "-",
				"-af", "aresample="+strconv.Itoa(rateHz)+":resampler=soxr:precision=28", "-f", "f32le", "-"))
		}
		out = append(out, nullRaw{fmt.Sprintf("made reading at %d Hz", rateHz), rateHz, x})
	}
	root := os.Getenv("LECTERN_RECORDINGS")
	if root == "" {
		return out
	}
	for _, c := range []struct {
		file   string
		rateHz int
	}{
		{"kerstin_1422_raw.wav", 48000}, {"LJ001-0001.flac", 22050}, {"LJ001-0012.flac", 22050},
		{"librispeech_1088-134315-0000.wav", 16000}, {"librispeech_3331-159605-0008.wav", 16000}, {"aeneas_de.mp3", 44100},
	} {
		out = append(out, nullRaw{c.file, c.rateHz, decoded(t, filepath.Join(root, "narration", c.file), c.rateHz)})
	}
	return out
}

// nulls is aim 8.
func (q *quality) nulls() {
	if q.without("ffmpeg", "sox") {
		return
	}
	raws := nullRaws(q.t)
	if !thorough() {
		raws = raws[:2]
	}
	for _, raw := range raws {
		q.nothingElse(raw, "its own converter", ownConverter)
		// Any two converters differ near the end of the band.
		q.nothingElse(raw.lower(q.t), "SoX's converter, up to 0.8 of the band", outsideConverter)
		q.bareEncoder(raw)
	}
	q.converterFigures()
}

// lower is the raw without what lies over 0.8 of its band, or of the master's.
func (r nullRaw) lower(t *testing.T) nullRaw {
	rate, corner := strconv.Itoa(r.rateHz), strconv.Itoa(min(r.rateHz, sampleRateHz)*4/10)
	r.x = floats(outsideIn(t, r.x, "sox", "-t", "f32", "-r", rate, "-c", "1", "-", "-t", "f32", "-", "sinc", "-a", "150", "-t", strconv.Itoa(r.rateHz/50), "-"+corner))
	return r
}

// nothingElse renders the master of a raw without its limiter and holds it against
// the raw put through a converter and a Butterworth filter of the test's own, with the
// plan's gain and cuts. With its limiter, the master must be the same wherever nothing
// comes near the ceiling.
func (q *quality) nothingElse(raw nullRaw, name string, converter func(*testing.T, nullRaw) []float64) {
	const aim = "8 nothing else"
	job := jobOf(q.t, made.WAVFloat(raw.rateHz, raw.x))
	raws, err := readAll(context.Background(), job, shares(nil))
	defer raws.discard()
	if err != nil {
		q.t.Fatalf("%s: %v", raw.name, err)
	}
	d := job.Settings.Delivery
	tl := trimWhole(raws.recs, d.HeadS, d.TailS, job.Settings.Takes.JoinPauseMaxS)
	l := level(tl, job.Settings.Level)
	loud := normalize(tl, l, nil, d, job.Settings.Level)
	plan := Plan{Segments: tl.segments, GainDB: loud.apply(l), OverallDB: loud.overallDB, CeilingDBFS: loud.ceilingDBFS}
	limited := rendered(q.t, plan, raws.recs, 8192)
	ceiling := dbToAmplitude(plan.CeilingDBFS)
	plan.CeilingDBFS = 60
	free := rendered(q.t, plan, raws.recs, 8192)

	want := withPlan(butterworth(converter(q.t, raw), 70), plan)
	q.most(aim, "residual of the unlimited master, "+name+", dB", -80, residualDB(free, want), raw.name)
	var differ, alike float64
	for i, near := 0, nearCeiling(free, ceiling); i < len(free); i++ {
		if near[i] {
			continue
		}
		alike++
		if math.Abs(float64(limited[i]-free[i])) > 1e-6*ceiling {
			differ++
		}
	}
	q.most(aim, "samples away from the ceiling that the limiter changed, %", 0, 100*differ/alike, fmt.Sprintf("%s (%.0f %% lie away)", raw.name, 100*alike/float64(len(free))))
}

// nearCeiling marks what lies from 20 ms before to 1.3 s after a sample over the
// ceiling: 16 time constants of the release.
func nearCeiling(x []float32, ceiling float64) []bool {
	near := make([]bool, len(x))
	for i, v := range x {
		// Between two samples the sound can reach 3 dB further (a tone at a quarter of the rate).
		if math.Abs(float64(v)) > ceiling*dbToAmplitude(-3) {
			for k := max(0, i-sampleRateHz/50); k < min(len(x), i+sampleRateHz*13/10); k++ {
				near[k] = true
			}
		}
	}
	return near
}

// residualDB is the power of y - want over that of want, where want is known.
func residualDB(y []float32, want []float64) float64 {
	var off, own float64
	for i, w := range want {
		if !math.IsNaN(w) {
			d := float64(y[i]) - w
			off += d * d
			own += w * w
		}
	}
	return 10 * math.Log10(off/own)
}

// withPlan lays x out as the plan says; what is faded or made has no value.
func withPlan(x []float64, plan Plan) []float64 {
	last := plan.Segments[len(plan.Segments)-1]
	out := make([]float64, last.End()*frameSamples)
	for i := range out {
		out[i] = math.NaN()
	}
	for k, s := range plan.Segments {
		if s.Tone {
			continue
		}
		from, to := 0, s.Frames*frameSamples
		if k > 0 {
			from += fadeSamples / 2
		}
		if k+1 < len(plan.Segments) {
			to -= fadeSamples / 2
		}
		for i := from; i < to && s.From*frameSamples+i < len(x); i++ {
			at := s.At*frameSamples + i
			here, share := at/frameSamples, float64(at%frameSamples)/frameSamples
			gain := (1-share)*math.Pow(10, (float64(plan.GainDB[here])+plan.OverallDB)/20) +
				share*math.Pow(10, (float64(plan.GainDB[here+1])+plan.OverallDB)/20)
			out[at] = gain * x[s.From*frameSamples+i]
		}
	}
	return out
}

// centered is x without its mean: the offset that the chain takes away first.
func centered(x []float32) []float32 {
	var sum float64
	for _, v := range x {
		sum += float64(v)
	}
	out := slices.Clone(x)
	for i := range out {
		out[i] -= float32(sum / float64(len(x)))
	}
	return out
}

func ownConverter(t *testing.T, raw nullRaw) []float64 {
	var out []float32
	c := resample.New(raw.rateHz)
	keep := func(block []float32) error { out = append(out, block...); return nil }
	if err := c.Write(centered(raw.x), keep); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(keep); err != nil {
		t.Fatal(err)
	}
	return wide(out)
}

func outsideConverter(t *testing.T, raw nullRaw) []float64 {
	x := centered(raw.x)
	if raw.rateHz == sampleRateHz {
		return wide(x)
	}
	return wide(floats(outsideIn(t, x, "sox", "-t", "f32", "-r", strconv.Itoa(raw.rateHz), "-c", "1", "-",
		"-t", "f32", "-", "rate", "-v", "44100")))
}

// butterworth is a fourth-order high-pass from its poles: those of the analog
// filter lie evenly on a half circle of radius w = tan(pi fc/fs), and the bilinear
// transform takes each, s, to z = (1+s)/(1-s), a zero to 1, and the gain at half the
// rate to 1.
func butterworth(x []float64, cornerHz float64) []float64 {
	const order = 4
	w := math.Tan(math.Pi * cornerHz / sampleRateHz)
	y := slices.Clone(x)
	for k := range order / 2 {
		// A high-pass has the poles of the low-pass turned inside out: w/p.
		s := complex(w, 0) / cmplx.Exp(complex(0, math.Pi*float64(2*k+order+1)/(2*order)))
		z := (1 + s) / (1 - s)
		a1, a2 := -2*real(z), real(z)*real(z)+imag(z)*imag(z)
		gain := (1 - a1 + a2) / 4
		var x1, x2, y1, y2 float64
		for i, v := range y {
			out := gain*(v-2*x1+x2) - a1*y1 - a2*y2
			x2, x1, y2, y1 = x1, v, y1, out
			y[i] = out
		}
	}
	return y
}

// converterFigures are those worth demanding of the step from 48 to 44.1 kHz with
// tones at -6 dBFS, 2 s, of which the middle half is looked at (engineering choice,
// no standard).
func (q *quality) converterFigures() {
	const aim, rateHz, amplitude = "8 converter", 48000, 0.501187
	converted := func(x []float32) []float64 {
		var out []float32
		c := resample.New(rateHz)
		keep := func(block []float32) error { out = append(out, block...); return nil }
		if err := c.Write(x, keep); err != nil {
			q.t.Fatal(err)
		}
		if err := c.Close(keep); err != nil {
			q.t.Fatal(err)
		}
		return wide(out)
	}
	toneAt := func(hz, amplitude float64) []float32 {
		x := make([]float32, 2*rateHz)
		for i := range x {
			x[i] = float32(amplitude * math.Sin(2*math.Pi*hz*float64(i)/rateHz))
		}
		return x
	}
	for _, hz := range []float64{20, 997, 10000, 18000, 20000} {
		gain, residual := toneFit(converted(toneAt(hz, amplitude)), hz)
		gainDB, residualDB := 20*math.Log10(gain/amplitude), 20*math.Log10(residual*math.Sqrt2/amplitude)
		if hz <= 18000 {
			q.most(aim, "gain from 20 Hz to 18 kHz, either way, dB", 0.01, math.Abs(gainDB), fmt.Sprintf("%g Hz", hz))
		}
		q.most(aim, "gain to 20 kHz, either way, dB", 0.1, math.Abs(gainDB), fmt.Sprintf("%g Hz", hz))
		q.most(aim, "residual of a tone, dB", -120, residualDB, fmt.Sprintf("%g Hz", hz))
	}
	for _, hz := range []float64{22500, 23000, 23900} {
		y := converted(toneAt(hz, amplitude))
		var sum float64
		for _, v := range y[len(y)/4 : 3*len(y)/4] {
			sum += v * v
		}
		q.most(aim, "alias of a tone over 22.05 kHz, dB", -100, 10*math.Log10(2*sum/float64(len(y)/2)/amplitude/amplitude+1e-40), fmt.Sprintf("%g Hz", hz))
	}
	loudest := 0.0
	for _, v := range converted(toneAt(997, math.Pow(10, -1.0/20))) {
		loudest = max(loudest, math.Abs(v))
	}
	q.most(aim, "peak of a tone at -1 dBFS, dBFS", 0, 20*math.Log10(loudest), "997 Hz")
	steady := converted(slices.Repeat([]float32{0.5}, 2*rateHz))
	q.most(aim, "gain for a constant away from 1", 1e-6, math.Abs(steady[len(steady)/2]/0.5-1), "0.5")
	for _, n := range []int{1, 159, 4097, 96001} {
		q.most(aim, "length away from 147/160, samples", 1, math.Abs(float64(len(converted(make([]float32, n))))-float64(n)*147/160), fmt.Sprint(n))
	}
	impulse := make([]float32, rateHz)
	impulse[16000] = 1
	y := converted(impulse)
	q.most(aim, "place of an impulse away from its own, samples", 1, math.Abs(float64(slices.Index(y, slices.Max(y)))-14700), "at 1/3 s")
}

// toneFit finds a tone in the middle half of x by least squares, and returns its
// amplitude and the RMS of the rest.
func toneFit(x []float64, hz float64) (amplitude, rest float64) {
	from, to := len(x)/4, 3*len(x)/4
	var ss, sc, cc, xs, xc float64
	for i := from; i < to; i++ {
		s, c := math.Sincos(2 * math.Pi * hz * float64(i) / sampleRateHz)
		ss, sc, cc, xs, xc = ss+s*s, sc+s*c, cc+c*c, xs+s*x[i], xc+c*x[i]
	}
	det := ss*cc - sc*sc
	a, b := (xs*cc-xc*sc)/det, (xc*ss-xs*sc)/det
	for i := from; i < to; i++ {
		s, c := math.Sincos(2 * math.Pi * hz * float64(i) / sampleRateHz)
		rest += (x[i] - a*s - b*c) * (x[i] - a*s - b*c)
	}
	return math.Hypot(a, b), math.Sqrt(rest / float64(to-from))
}

// bareEncoder makes a chapter, and encodes what was fed to its encoder once more as
// barely as can be: the same library, no Info frame, nothing proved. ffmpeg decodes
// both. The 16-bit samples are dithered in both, since the chain's are by design; what
// that costs against rounding is told in the log.
func (q *quality) bareEncoder(raw nullRaw) {
	const aim = "8 nothing else"
	m, _ := mastered(q.t, jobOf(q.t, made.WAVFloat(raw.rateHz, raw.x)))
	// The scratch files are gone; the same plan gives the same samples again.
	raws, err := readAll(context.Background(), jobOf(q.t, made.WAVFloat(raw.rateHz, raw.x)), shares(nil))
	defer raws.discard()
	if err != nil {
		q.t.Fatal(err)
	}
	fed := rendered(q.t, m.plan, raws.recs, 8192)
	bareDB := func(ditherLSB float64) float64 {
		path := filepath.Join(q.t.TempDir(), "bare.mp3")
		if err := os.WriteFile(path, bareMP3(q.t, fed, ditherLSB), 0o600); err != nil {
			q.t.Fatal(err)
		}
		return snrDB(fed, ffmpegDecoded(q.t, path, len(fed)))
	}
	ours, bare := snrDB(fed, ffmpegDecoded(q.t, m.MP3, len(fed))), bareDB(1)
	q.t.Logf("%s: %.2f dB of signal over difference, the bare encoder %.2f, and %.2f without dither", raw.name, ours, bare, bareDB(0))
	q.most(aim, "MP3 worse than the bare encoder's, dB", 1, bare-ours, raw.name)
	q.within(aim, "signal over difference by the chain's own proof less ffmpeg's, dB", -0.1, 0.1, m.proof.SNRDB-ours, raw.name)
}

func snrDB(fed, got []float32) float64 {
	var signal, off float64
	for i, v := range fed {
		signal += float64(v) * float64(v)
		off += (float64(got[i]) - float64(v)) * (float64(got[i]) - float64(v))
	}
	return 10 * math.Log10(signal/off)
}

// bareMP3 encodes at 192 kbit/s, mono. The encoder plays 9/8 too loud and
// overflows: it gets 4/9 of the sound, and the gain of both halves of each frame is
// raised by 4 steps of 1.5 dB behind it. Its last frame is never flushed: one of
// silence is fed for that. The dither is the sum of two even ones of ditherLSB, peak
// to peak, in steps of its 16-bit input.
func bareMP3(t *testing.T, x []float32, ditherLSB float64) []byte {
	const frame, kbps, index = 1152, 192, 11 // 11 means 192 kbit/s in a frame's header
	enc := shine.NewEncoder(sampleRateHz, 1)
	slots := frame / 8 * float64(kbps) * 1000 / sampleRateHz
	enc.Mpeg.Bitrate, enc.Mpeg.BitrateIndex = kbps, index
	enc.Mpeg.WholeSlotsPerFrame = int64(slots)
	enc.Mpeg.FracSlotsPerFrame = slots - math.Floor(slots)
	enc.Mpeg.Slot_lag = -enc.Mpeg.FracSlotsPerFrame
	var out bytes.Buffer
	in := make([]int16, frame+8)[:frame] // it looks one sample past the end
	rng := rand.New(rand.NewPCG(1, 1))
	frames := (len(x)+1057+frame-1)/frame + 1
	for k := range frames {
		for i := range in {
			in[i] = 0
			if at := k*frame + i; at < len(x) {
				dither := ditherLSB * (rng.Float64() - rng.Float64())
				in[i] = int16(math.Round(float64(x[at])*32768*4/9 + dither))
			}
		}
		if err := enc.Write(&out, in); err != nil {
			t.Fatal(err)
		}
	}
	b := out.Bytes()
	for at := 0; at+int(slots) <= len(b); {
		size := int(slots) + int(b[at+2]>>1&1)
		for half := range 2 {
			bit := at*8 + 32 + 18 + half*59 + 21
			word := int(b[bit/8])<<8 | int(b[bit/8+1])
			word += 4 << (8 - bit%8)
			b[bit/8], b[bit/8+1] = byte(word>>8), byte(word)
		}
		at += size
	}
	return b
}
