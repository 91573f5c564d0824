package takes

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lectern/pipeline/fourier"
	"lectern/pipeline/internal/narrated"
	"lectern/pipeline/resample"
	"lectern/pipeline/speech"
)

// manner is how a sentence is read again, held against how it was read before.
type manner struct {
	name string
	pace float64
	// semitones are those of the voice, mouth those of the resonances: somebody who puts on
	// a child's voice moves both.
	semitones, mouth float64
	levelDB, tiltDB  float64 // tilt: the balance of high and low around 1 kHz
	whispered        bool
}

// plainly is a reader's own manner.
var plainly = manner{name: "plainly", pace: 1}

// manners are those of somebody who acts. Our choice: but for the first, to which the others
// are held, all lie beyond the 12 % of pace, the semitone of pitch or the 6 dB of level within
// which the other figures are counted.
var manners = []manner{
	{name: "in the same tone", pace: 1.06, semitones: 0.5},
	{name: "hurried", pace: 1.35, semitones: 2, levelDB: 3},
	{name: "slow and low", pace: 0.72, semitones: -4, levelDB: -4, tiltDB: -3},
	{name: "excited", pace: 1.15, semitones: 7, levelDB: 6, tiltDB: 3},
	{name: "shouted", pace: 0.9, semitones: 5, levelDB: 12, tiltDB: 6},
	{name: "in a child's voice", pace: 1.05, semitones: 6, mouth: 3},
	{name: "in a giant's voice", pace: 0.85, semitones: -6, mouth: -3},
	{name: "whispered", pace: 0.9, levelDB: -12, tiltDB: 6, whispered: true},
}

// actor reads sentences in manners.
type actor struct {
	name  string
	rooms [][][]float32
	// script draws n sentences, or as many as there are.
	script func(rng *rand.Rand, n int) []string
	// twice tells whether a sentence may be read again.
	twice func(text string) bool
	// say reads a sentence for the first time or again, at 44.1 kHz.
	say func(t *testing.T, text string, as manner, again bool) []float32
}

// ofVoice is a synthesizer's voice.
func ofVoice(t *testing.T, v narrated.Voice, rooms [][][]float32) *actor {
	dir := t.TempDir()
	read := func(t *testing.T, text string, as manner) []float32 {
		mouth := math.Exp2(as.mouth / 12) // it speeds up all of it, like a tape
		x, err := v.Varied(as.pace/mouth, as.semitones-as.mouth).Say(t.Context(), dir, text)
		if err != nil {
			t.Fatal(err)
		}
		return inManner(bare(narrated.WithoutRumble(resampled(t, x, int(math.Round(float64(v.RateHz)*mouth))))), as)
	}
	first := map[string][]float32{}
	return &actor{
		name: v.Name, rooms: rooms, script: narrated.Tale, twice: func(string) bool { return true },
		say: func(t *testing.T, text string, as manner, _ bool) []float32 {
			if as != plainly {
				return read(t, text, as)
			}
			if first[text] == nil {
				first[text] = read(t, text, as)
			}
			return first[text]
		},
	}
}

// ofWhisperer is a voice that whispers with the synthesizer's own means, whatever the
// manner asked for.
func ofWhisperer(t *testing.T, rooms [][][]float32) *actor {
	a := ofVoice(t, narrated.Voices()[1], rooms)
	a.name += ", its own whisper"
	file, aloud := filepath.Join(t.TempDir(), "whisper.wav"), a.say
	a.say = func(t *testing.T, text string, as manner, again bool) []float32 {
		if !again {
			return aloud(t, text, as, again)
		}
		if out, err := exec.Command("espeak-ng", "-v", "en-gb-x-rp+whisper", "-s", "145", "-w", file, text).CombinedOutput(); err != nil {
			t.Fatalf("whisper: %v: %s", err, out)
		}
		return bare(narrated.WithoutRumble(decoded(t, file)))
	}
	return a
}

// ofClips is a reader of whom there are recordings, each sentence one or more of them. What
// is read again is another recording of it, if there is one. Then only these are read again.
func ofClips(name string, rooms [][][]float32, sentences ...[]narrated.Clip) *actor {
	clips := map[string][]narrated.Clip{}
	var pool []string
	several := false
	for i, c := range sentences {
		// Nobody reads the words: what counts is how many there may be.
		text := strings.Repeat(fmt.Sprintf("clip%c ", 'a'+i), 1+int(2.5*seconds(len(c[0].Samples))))
		clips[text], pool, several = c, append(pool, text), several || len(c) > 1
	}
	turn := map[string]int{}
	twice := func(text string) bool { return !several || len(clips[text]) > 1 }
	return &actor{
		name: name, rooms: rooms, twice: twice,
		script: func(rng *rand.Rand, n int) (script []string) {
			var others []string
			for _, i := range rng.Perm(len(pool)) {
				if twice(pool[i]) && (!several || len(script) < n/2) {
					script = append(script, pool[i])
				} else {
					others = append(others, pool[i])
				}
			}
			script = slices.Concat(script, others)
			script = script[:min(n, len(script))]
			rng.Shuffle(len(script), func(i, k int) { script[i], script[k] = script[k], script[i] })
			return script
		},
		say: func(t *testing.T, text string, as manner, _ bool) []float32 {
			turn[text]++ // never the one that was read last
			x := clips[text][turn[text]%len(clips[text])].Samples
			if as == plainly {
				return x
			}
			// Pitch and mouth of a recording move together, so by half as much.
			tape := math.Exp2(as.semitones / 24)
			x = filtered(t, x, fmt.Sprintf("asetrate=%d,aresample=%d,atempo=%g", int(speech.SampleRateHz*tape), speech.SampleRateHz, as.pace/tape))
			return inManner(x, as)
		},
	}
}

// inManner gives a reading the level, tilt and breath of a manner. The level is held against
// that of all other readings, which have the same.
func inManner(x []float32, as manner) []float32 {
	if as.whispered {
		x = whispered(x)
	}
	if as.tiltDB == 0 {
		return x
	}
	a := 1 - math.Exp(-2*math.Pi*1000/speech.SampleRateHz)
	tilt, low := math.Pow(10, as.tiltDB/40), 0.0
	out := make([]float32, len(x))
	for i, y := range x {
		low += a * (float64(y) - low)
		out[i] = float32(low/tilt + (float64(y)-low)*tilt)
	}
	return out
}

// whispered puts noise in the place of the voice: the spectrum of each 23 ms, smoothed over
// its cepstrum so that nothing of the pitch is left, is laid on noise.
func whispered(x []float32) []float32 {
	const n, hop = 1024, 256
	const keep = 60 // of the cepstrum: 1.4 ms, shorter than any pitch
	tr, rng := fourier.New(n), pcg(1, 5000)
	noise, out := make([]float64, len(x)+n), make([]float64, len(x)+n)
	for i := range noise {
		noise[i] = rng.NormFloat64()
	}
	block, hiss := make([]float64, n), make([]float64, n)
	hann := func(i int) float64 { return 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/n) }
	for at := 0; at < len(x); at += hop {
		for i := range block {
			block[i] = 0
			if at+i < len(x) {
				block[i] = float64(x[at+i]) * hann(i)
			}
			hiss[i] = noise[at+i] * hann(i)
		}
		envelope := slices.Clone(tr.Forward(block))
		bins := make([]float64, n) // the logarithm of the power, packed
		for bin := range n/2 + 1 {
			bins[max(0, 2*bin-1)] = math.Log(power(envelope, bin) + 1e-12)
		}
		cepstrum := slices.Clone(tr.Back(bins))
		clear(cepstrum[keep : n-keep+1])
		envelope = slices.Clone(tr.Forward(cepstrum))
		spectrum := slices.Clone(tr.Forward(hiss))
		for i := range spectrum {
			bin := (i + 1) / 2
			spectrum[i] *= math.Exp(envelope[max(0, 2*bin-1)] / n / 2)
		}
		for i, y := range tr.Back(spectrum) {
			out[at+i] += y * hann(i) / n
		}
	}
	whisper := make([]float32, len(x))
	for i := range whisper {
		whisper[i] = float32(out[i])
	}
	return whisper
}

// power is the power of a bin of a packed spectrum, the first and the last as well.
func power(spectrum []float64, bin int) float64 {
	switch n := len(spectrum); bin {
	case 0:
		return spectrum[0] * spectrum[0]
	case n / 2:
		return spectrum[n-1] * spectrum[n-1]
	}
	return fourier.Power(spectrum, bin)
}

// filtered sends a reading through ffmpeg.
func filtered(t *testing.T, x []float32, filter string) []float32 {
	t.Helper()
	in, err := binary.Append(nil, binary.LittleEndian, x)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("ffmpeg", "-v", "error", "-f", "f32le", "-ar", "44100", "-ac", "1", "-i", "-", "-af", filter, "-ar", "44100", "-f", "f32le", "-")
	cmd.Stdin = bytes.NewReader(in)
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("filter %s: %v", filter, err)
	}
	y := make([]float32, len(out)/4)
	if _, err := binary.Decode(out, binary.LittleEndian, y); err != nil {
		t.Fatal(err)
	}
	return y
}

// resampled brings a reading to 44.1 kHz.
func resampled(t *testing.T, x []float32, rateHz int) (out []float32) {
	t.Helper()
	c := resample.New(rateHz)
	keep := func(b []float32) error {
		out = append(out, b...)
		return nil
	}
	if err := errors.Join(c.Write(x, keep), c.Close(keep)); err != nil {
		t.Fatal(err)
	}
	return out
}

// bare is a reading without what is silent before and after it, 45 dB under its peak.
func bare(x []float32) []float32 {
	var peak float32
	for _, y := range x {
		peak = max(peak, y, -y)
	}
	heard := func(y float32) bool { return max(y, -y) > peak/180 }
	from := slices.IndexFunc(x, heard)
	to := len(x)
	for !heard(x[to-1]) {
		to--
	}
	return x[from:to]
}
