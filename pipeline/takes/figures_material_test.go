package takes

import (
	"encoding/binary"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/internal/narrated"
	"lectern/pipeline/speech"
)

// material is what the figures are counted on: voices and, where LECTERN_RECORDINGS
// names a folder of recordings and ffmpeg is there to decode them, real rooms and real
// readers.
type material struct {
	long   bool
	voices []*narrated.Studio
	root   string // of the recordings, empty if there are none
	// noises are recordings without words and without claps.
	noises map[string][]float32
}

// pcg is a source of numbers for one part of the figures.
func pcg(seed, part uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, part)) }

func newMaterial(t *testing.T) *material {
	t.Helper()
	m := &material{long: os.Getenv("LECTERN_LONG") != "", noises: map[string][]float32{}}
	voices := narrated.Voices()[:4]
	if !m.long {
		voices = voices[1:2] // one that is quick to speak
	}
	for i, v := range voices {
		if v.Installed() {
			m.voices = append(m.voices, narrated.NewStudio(v, t.TempDir(), uint64(i)))
		}
	}
	if len(m.voices) == 0 {
		t.Skip("no speech synthesizer is installed")
	}
	root := os.Getenv("LECTERN_RECORDINGS")
	if _, err := exec.LookPath("ffmpeg"); root == "" || err != nil {
		t.Log("LECTERN_RECORDINGS names no folder of recordings, or ffmpeg is not installed: real rooms and readers are left out")
		return m
	}
	m.recorded(t, root)
	return m
}

// recorded adds the rooms in root. The field recorder's noise is even; the room of
// precise_bg_noise8 has its bursts of clicks from 17 s on.
func (m *material) recorded(t *testing.T, root string) {
	t.Helper()
	for _, name := range []string{"precise_bg_noise8.wav", "precise_bg_noise4.wav", "fireplace.ogg", "fieldrec_A101_1_1.WAV", "ambi_soft_buzz.wav"} {
		m.noises[name] = narrated.WithoutRumble(decoded(t, filepath.Join(root, "noise", name)))
	}
	for _, s := range m.voices {
		s.Rooms = append(s.Rooms, [][]float32{m.noises["precise_bg_noise8.wav"][:16*speech.SampleRateHz]}, [][]float32{m.noises["fieldrec_A101_1_1.WAV"]})
	}
	m.root = root
}

// readers are real narrations of which phrases are read again by changed copies of
// themselves.
func (m *material) readers(t *testing.T) []*narrated.Studio {
	if m.root == "" {
		return nil
	}
	return []*narrated.Studio{
		narrated.OfClips("LJ001", 11, oneByOne(m.clips(t, "narration/LJ001-*.flac"))...),
		narrated.OfClips("kerstin", 12, oneByOne(m.clips(t, "narration/kerstin_*_raw.wav"))...),
	}
}

// again is a reader some of whose sentences were truly read more than once.
func (m *material) again(t *testing.T) []*narrated.Studio {
	if m.root == "" {
		return nil
	}
	return []*narrated.Studio{narrated.OfClips("kerstin, read again", 13, append([][]narrated.Clip{
		m.clips(t, "repeats/kerstin_drei_neue_linien_*.wav"),
		m.clips(t, "repeats/kerstin_justine_und_juliette_*.wav"),
		m.clips(t, "repeats/kerstin_nach_seinem_tod_*.wav"),
	}, oneByOne(m.clips(t, "narration/kerstin_*_raw.wav"))...)...)}
}

// clips decodes recordings, without what is heard before and after the words: chairs, a
// mouse.
func (m *material) clips(t *testing.T, pattern string) (out []narrated.Clip) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(m.root, pattern))
	if err != nil || len(files) == 0 {
		t.Fatalf("no recordings %s (%v)", pattern, err)
	}
	for _, f := range files {
		x := decoded(t, f)
		words := speech.NewAnalyzer()
		words.Add(x)
		p := speech.Draw(words.Features()).Phrases
		if len(p) == 0 {
			t.Fatalf("%s: no words", f)
		}
		x = x[p[0].From*speech.FrameSamples : min(len(x), p[len(p)-1].To*speech.FrameSamples)]
		out = append(out, narrated.Clip{Samples: x, RateHz: speech.SampleRateHz})
	}
	return out
}

// oneByOne takes every clip for a sentence of its own.
func oneByOne(list []narrated.Clip) (out [][]narrated.Clip) {
	for _, c := range list {
		out = append(out, []narrated.Clip{c})
	}
	return out
}

// decoded reads a recording as mono at 44.1 kHz.
func decoded(t *testing.T, path string) []float32 {
	t.Helper()
	out, err := exec.Command("ffmpeg", "-v", "error", "-i", path, "-ac", "1", "-ar", "44100", "-f", "f32le", "-").Output()
	if err != nil {
		t.Fatalf("decode %s: %v", path, err)
	}
	x := make([]float32, len(out)/4)
	for i := range x {
		x[i] = math.Float32frombits(binary.LittleEndian.Uint32(out[4*i:]))
	}
	return x
}

// session fails or skips a test whose session could not be made.
func session(t *testing.T, s *narrated.Session, err error) *narrated.Session {
	t.Helper()
	if absent := new(narrated.AbsentError); errors.As(err, &absent) {
		t.Skip(absent.Error())
	}
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// voiceOf analyzes samples as the chain does.
func voiceOf(samples []float32) *Voice {
	words, sound := speech.NewAnalyzer(), NewAnalyzer()
	for len(samples) > 0 {
		n := min(len(samples), 4410)
		words.Add(samples[:n])
		sound.Add(samples[:n])
		samples = samples[n:]
	}
	return voiceOn(sound, speech.Draw(words.Features()))
}

// voiceOn ends a stream that is kept in memory, which cannot fail.
func voiceOn(sound *Analyzer, m *speech.Map) *Voice {
	v, err := sound.Voice(m)
	if err != nil {
		panic(err)
	}
	return v
}

// keptOf is a part of a recording, from one frame to another.
func keptOf(raw int, s speech.Span) narrated.Kept {
	return narrated.Kept{Recording: raw, Span: made.Span{From: s.From * speech.FrameSamples, To: s.To * speech.FrameSamples}}
}

// seconds turns samples into seconds.
func seconds(samples int) float64 { return float64(samples) / speech.SampleRateHz }

// outOfTime ends a count before -timeout does, so that what was counted is told.
func outOfTime(t *testing.T) bool {
	end, ok := t.Deadline()
	return ok && time.Until(end) < time.Minute
}
