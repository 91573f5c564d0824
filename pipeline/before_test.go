package pipeline

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// lufsOf is the integrated loudness of samples at 44.1 kHz.
func lufsOf(x []float32) float64 {
	m := meter.NewLoudness(sampleRateHz, 1)
	m.Add([][]float32{x})
	return float64(m.IntegratedLUFS())
}

// TestBefore wants ten seconds of the raw itself, rumble and all, as loud as the same
// words in the finished file, whatever the raw's rate.
func TestBefore(t *testing.T) {
	tape := uneven(43, -60).Float32()
	for i, v := range sine(len(tape), 30, 0.004) { // a rumble that the finished file has not
		tape[i] += v
	}
	for name, c := range map[string]struct {
		rateHz int
		leftDB float64 // by the MP3; by the test's own crude conversion
	}{"44.1 kHz": {44100, -42}, "48 kHz": {48000, -32}} {
		t.Run(name, func(t *testing.T) {
			m, r := mastered(t, jobOf(t, made.WAVFloat(c.rateHz, everyNth(tape, 44100/float64(c.rateHz)))))
			b := r.Before
			if b == nil || m.Before() != filepath.Join(m.job.Dir, "before.mp3") {
				t.Fatalf("before %+v at %q", b, m.Before())
			}
			wantSum(t, m.Before(), b)
			clip, x := decodedMP3(t, m.Before()), decodedMP3(t, m.MP3)
			if b.DurationS != 10 || len(clip) != 10*sampleRateHz {
				t.Fatalf("%.2f s told, %d samples", float64(b.DurationS), len(clip))
			}
			if peak := peakDBFS(clip); peak > -1 {
				t.Errorf("peak %.2f dBFS", peak)
			}
			at := int(math.Round(float64(b.FinishedAtS) * sampleRateHz))
			after := x[at : at+len(clip)]
			if d := lufsOf(clip) - lufsOf(after); math.Abs(d+float64(b.SofterDB)) > 0.1 || b.SofterDB < 0 {
				t.Errorf("%.2f LU from the finished file, told %.2f softer", d, float64(b.SofterDB))
			}
			// It is the raw and nothing else: with the gain that is told hardly anything is left.
			from := int(math.Round(float64(b.FromS) * sampleRateHz))
			left := leftOver(tape[from:from+len(clip)], clip, float64(b.GainDB))
			if left > c.leftDB {
				t.Errorf("%.1f dB are not of the raw", left)
			}
			// The same words stand in the finished file: they begin together, to the sample
			// once the rumble is filtered out of both.
			newRumbleFilter(m.job.Settings.Level.RumbleHz).apply(clip)
			if lag := lagOf(clip, after, 400); lag < -1 || lag > 1 {
				t.Errorf("the words lie %d samples apart", lag)
			}
			if inSeconds(m.passage.at) != b.FinishedAtS || !slices.ContainsFunc(m.timeline.phrases, startsAt(m.passage.at)) {
				t.Errorf("begins at %.2f s, where no phrase does", float64(b.FinishedAtS))
			}
		})
	}
}

// TestReadPassage wants a passage of a raw to be what the whole of it, converted from its
// start, is there: at any rate, to the sample.
func TestReadPassage(t *testing.T) {
	for _, rateHz := range []int{8000, 22050, 44100, 47999, 48000, 96000, 192000} {
		x := white(9*rateHz/2, 0.2, uint64(rateHz)) // 4.5 s
		path := filepath.Join(t.TempDir(), "raw.wav")
		if err := os.WriteFile(path, made.WAVFloat(rateHz, x, x), 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := surveyRaw(t.Context(), path, 1, func(float64) {})
		if err != nil {
			t.Fatal(err)
		}
		var whole []float32
		if err := hearSurveyed(t.Context(), path, s, 70, func(float64) {}, func(recorded, _ []float32) error {
			whole = append(whole, recorded...)
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		for _, from := range []int{0, 1, 44099, 88200, 100001, len(whole) - 30000} {
			got, err := readPassage(t.Context(), path, s, int64(from), 30000)
			if err != nil || len(got) != 30000 {
				t.Fatalf("%d Hz from %d: %d samples, %v", rateHz, from, len(got), err)
			}
			for i, v := range got {
				if math.Abs(float64(v-whole[from+i])) > 1e-6 {
					t.Fatalf("%d Hz from %d: sample %d is %g, in the whole it is %g", rateHz, from, i, v, whole[from+i])
				}
			}
		}
		s.info.Frames--
		if _, err := readPassage(t.Context(), path, s, 0, 10); !errors.Is(err, ErrChanged) {
			t.Errorf("%d Hz: a raw that grew gives %v", rateHz, err)
		}
	}
}

// wantSum holds the clip on disk to what the report tells of it.
func wantSum(t *testing.T, path string, b *report.Before) {
	t.Helper()
	data := readFile(t, path)
	sum := sha256.Sum256(data)
	if b.SHA256 != hex.EncodeToString(sum[:]) || b.Bytes != int64(len(data)) {
		t.Errorf("told %s and %d bytes, it is %x and %d", b.SHA256, b.Bytes, sum, len(data))
	}
}

// leftOver is how far y differs from x with a gain, in dB under y. The ends fade.
func leftOver(x, y []float32, gainDB float64) float64 {
	g := dbToAmplitude(gainDB)
	var diff, all float64
	for i := beforeFadeSamples; i < len(x)-beforeFadeSamples; i++ {
		d := float64(y[i]) - g*float64(x[i])
		diff += d * d
		all += float64(y[i]) * float64(y[i])
	}
	return 10 * math.Log10(diff/all)
}

// lagOf is by how many samples y comes later than x, up to most, where they are most alike.
func lagOf(x, y []float32, most int) int {
	lag, best := 0, math.Inf(-1)
	for d := -most; d <= most; d++ {
		var sum float64
		for i := most; i < len(x)-most; i += 7 {
			sum += float64(x[i]) * float64(y[i+d])
		}
		if sum > best {
			lag, best = d, sum
		}
	}
	return lag
}

// TestBeforeUnderItsPeak wants a raw with peaks far over its loudness softer rather than
// over the limit, and told.
func TestBeforeUnderItsPeak(t *testing.T) {
	tape := uneven(44, -70)
	for i := range tape.Phrases { // one sharp sample in every phrase, 20 dB over it
		p := tape.Phrases[i]
		for k := range 40 {
			tape.Samples[(p.From+p.To)/2+k] += 0.9 * math.Sin(float64(k)/40*math.Pi) * math.Cos(float64(k))
		}
	}
	m, r := mastered(t, jobOf(t, made.WAVFloat(44100, tape.Float32())))
	if r.Before == nil {
		t.Fatal("no passage")
	}
	clip := decodedMP3(t, m.Before())
	at := int(math.Round(float64(r.Before.FinishedAtS) * sampleRateHz))
	softer := lufsOf(decodedMP3(t, m.MP3)[at:at+len(clip)]) - lufsOf(clip)
	if peak := peakDBFS(clip); peak > -1 || peak < -1.5 {
		t.Errorf("peak %.2f dBFS, want just under -1", peak)
	}
	if softer < 1 || math.Abs(softer-float64(r.Before.SofterDB)) > 0.1 {
		t.Errorf("softer by %.2f LU, told %.2f", softer, float64(r.Before.SofterDB))
	}
}

// TestBeforeInShort wants less than ten seconds where there is no more, and none of less
// than three.
func TestBeforeInShort(t *testing.T) {
	for _, c := range []struct {
		words []float64
		leftS float64 // of the passage, 0 for none
	}{{[]float64{2, 1.5}, 5}, {[]float64{0.5}, 0}} {
		tape := made.NewTape(45)
		tape.Pause(1)
		for _, s := range c.words {
			tape.Phrase(-22, s, made.None, made.None)
			tape.Pause(0.6)
		}
		tape.Pause(1)
		tape.Room(-70)
		m, r := mastered(t, jobOf(t, made.WAV16(44100, tape.Float32())))
		if c.leftS == 0 {
			if r.Before != nil || m.Before() != "" {
				t.Errorf("%v: before %+v, want none", c.words, r.Before)
			}
			wantOnly(t, m.job.Dir, "chapter.mp3")
			continue
		}
		if r.Before == nil || float64(r.Before.DurationS) < c.leftS || float64(r.Before.DurationS) > 8 {
			t.Errorf("%v: before %+v, want %.0f s and more", c.words, r.Before, c.leftS)
			continue
		}
		wantSum(t, m.Before(), r.Before)
		if got := len(decodedMP3(t, m.Before())); got != int(math.Round(float64(r.Before.DurationS)*sampleRateHz)) {
			t.Errorf("%d samples for %.2f s", got, float64(r.Before.DurationS))
		}
	}
}

// TestBeforeFails wants nothing left where the clip cannot be written.
func TestBeforeFails(t *testing.T) {
	job := jobOf(t, made.WAV16(44100, ferry(46, -66).Float32()))
	if err := os.WriteFile(filepath.Join(job.Dir, "before.mp3"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if m, err := Make(t.Context(), job); err == nil {
		t.Fatalf("made %q over a file that was there", m.Before())
	}
	wantOnly(t, job.Dir, "before.mp3")
}

// TestPassageBefore draws chapters and wants the passage within one segment of a raw, at a
// phrase, as long as can be.
func TestPassageBefore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tl, plan := drawnTimeline(t)
		p := passageBefore(tl, plan)
		longest := 0
		for _, phrase := range tl.phrases {
			for _, s := range plan.Segments {
				if !s.Tone && s.At <= phrase.From && phrase.From < s.End() {
					longest = max(longest, min(1000, s.End()-phrase.From))
				}
			}
		}
		if longest < 300 {
			longest = 0
		}
		if p.frames != longest {
			t.Fatalf("passage of %d frames, the longest has %d", p.frames, longest)
		}
		if p.frames == 0 {
			return
		}
		if !slices.ContainsFunc(tl.phrases, startsAt(p.at)) {
			t.Fatalf("no phrase begins at %d", p.at)
		}
		if !slices.ContainsFunc(plan.Segments, func(s Segment) bool {
			return !s.Tone && s.Raw == p.raw && s.At <= p.at && p.at+p.frames <= s.End() && p.at-s.At == p.from-s.From
		}) {
			t.Fatalf("%+v lies in no segment", p)
		}
	})
}
