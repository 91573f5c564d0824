package pipeline

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/speech"
	"lectern/pipeline/takes"
)

// spelled makes a recording with two words in a phrase, as close as a cut can part them,
// then two phrases; its marks lie in their pause.
func spelled(t *testing.T, seed uint64, roomDBFS float64) *recording {
	t.Helper()
	tape := made.NewTape(seed)
	tape.Pause(1)
	edge, gapS, most := made.F, 0.09, speech.RunGap+1
	if roomDBFS < -60 { // there the consonants stand out more and close the gap
		edge, gapS, most = made.None, 0.15, speech.RunGap+7
	}
	tape.Phrase(-20, 1, made.None, edge)
	tape.Pause(gapS)
	tape.Phrase(-20, 1, edge, made.None)
	tape.Pause(0.9)
	tape.Phrase(-20, 1, made.None, made.None)
	tape.Pause(0.7)
	tape.Phrase(-20, 1, made.None, made.None)
	tape.Pause(2)
	if !math.IsInf(roomDBFS, -1) {
		tape.Room(roomDBFS)
	}
	r := recorded(t, tape.Float32())
	if len(r.m.Phrases) != 3 || len(r.m.Runs) != 4 {
		t.Fatalf("phrases %v, runs %v; want 3 and 4", r.m.Phrases, r.m.Runs)
	}
	if gap := r.m.Runs[1].From - r.m.Runs[0].To; gap < speech.RunGap || gap > most {
		t.Fatalf("a gap of %d frames between the words, want %d to %d", gap, speech.RunGap, most)
	}
	return r
}

// kept is a stretch from the first frame of a run to the last of another.
func kept(recs []*recording, raw, first, last, pause int) takes.Stretch {
	runs := recs[raw].m.Runs
	return takes.Stretch{Raw: raw, Span: speech.Span{From: runs[first].From, To: runs[last].To}, Pause: pause}
}

func splicedOf(recs []*recording, stretches ...takes.Stretch) *takes.Spliced {
	return &takes.Spliced{Stretches: stretches, GainDB: make([]float64, len(recs))}
}

// unheard is what must never sound: it is written over the words that are left out.
const unheard = 100

// overwritten returns the recording with every word that no stretch keeps, and every
// sound between the words, written over in its samples. Its map stays.
func overwritten(t *testing.T, r *recording, raw int, stretches []takes.Stretch) *recording {
	t.Helper()
	x := make([]float32, r.m.Features.Len()*frameSamples)
	if err := r.scratch.read(x, 0); err != nil {
		t.Fatal(err)
	}
	words := append(slices.Clone(r.m.Sounds), r.m.Runs...)
	for _, m := range r.marks {
		words = append(words, m.Sounds)
	}
	for _, word := range words {
		if !slices.ContainsFunc(stretches, func(s takes.Stretch) bool {
			return s.Raw == raw && word.From >= s.From && word.To <= s.To
		}) {
			for i := word.From * frameSamples; i < word.To*frameSamples; i++ {
				x[i] = unheard
			}
		}
	}
	w, err := createScratch(filepath.Join(t.TempDir(), "scratch.f32"))
	if err != nil {
		t.Fatal(err)
	}
	if err := w.write(x); err != nil {
		t.Fatal(err)
	}
	out := *r
	if out.scratch, err = w.seal(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(out.scratch.discard)
	return &out
}

// TestTrimStretches lays out cuts within a raw and between raws, in a pause and within a
// phrase. Of what is left out not a sample may be heard, of what is kept every frame, and
// the pauses are those asked for.
func TestTrimStretches(t *testing.T) {
	one, two := spelled(t, 3, -60), spelled(t, 4, -58)
	clapped := spelled(t, 5, -60)
	pause := clapped.m.Pauses[1]
	clapped.marks = []takes.Mark{{Sounds: speech.Span{From: pause.From + 20, To: pause.From + 50}}}
	recs := []*recording{one, two, clapped}
	usual := one.m.Pauses[1].Len() // the only one that is kept where it is asked for
	for name, c := range map[string]struct {
		stretches []takes.Stretch
		phrases   int
		pauses    []int // between the phrases; 0 for those of a raw
	}{
		"a phrase cut out of a raw":         {[]takes.Stretch{kept(recs, 0, 0, 1, 0), kept(recs, 0, 3, 3, 40)}, 2, []int{40}},
		"a word cut off the end of another": {[]takes.Stretch{kept(recs, 0, 0, 0, 0), kept(recs, 1, 1, 3, 60)}, 4, []int{60, 0, 0}},
		"within a phrase, closely":          {[]takes.Stretch{kept(recs, 0, 0, 0, 0), kept(recs, 1, 1, 1, 8)}, 2, []int{8}},
		"within a phrase, without a pause":  {[]takes.Stretch{kept(recs, 0, 0, 0, 0), kept(recs, 1, 1, 1, 0)}, 2, []int{0}},
		"the same word again and again":     {[]takes.Stretch{kept(recs, 0, 1, 1, 0), kept(recs, 0, 1, 1, 9), kept(recs, 0, 0, 0, 11)}, 3, []int{9, 11}},
		"an insert":                         {[]takes.Stretch{kept(recs, 0, 0, 0, 0), kept(recs, 1, 2, 2, 50), kept(recs, 0, 3, 3, 50)}, 3, []int{50, 50}},
		"the usual pause":                   {[]takes.Stretch{kept(recs, 0, 0, 2, 0), kept(recs, 1, 3, 3, takes.AsUsual)}, 3, []int{0, usual}},
		"marks":                             {[]takes.Stretch{kept(recs, 2, 0, 1, 0), kept(recs, 1, 0, 1, 120)}, 2, []int{120}},
		"marks before it":                   {[]takes.Stretch{kept(recs, 0, 0, 1, 0), kept(recs, 2, 2, 2, 120)}, 2, []int{120}},
	} {
		t.Run(name, func(t *testing.T) {
			var marked []*recording
			for i, r := range recs {
				marked = append(marked, overwritten(t, r, i, c.stretches))
			}
			tl := trim(marked, splicedOf(recs, c.stretches...), 0.5, 2, 1.5)
			if len(tl.phrases) != c.phrases || len(tl.starts) != len(c.stretches) {
				t.Fatalf("%d phrases, %d starts", len(tl.phrases), len(tl.starts))
			}
			for i, want := range c.pauses {
				if got := tl.pauses[i+1].Len(); want > 0 && got != want || got < 0 {
					t.Errorf("pause %d lasts %d frames, want %d", i+1, got, want)
				}
			}
			if head, tail := tl.pauses[0].Len(), tl.pauses[c.phrases].Len(); head != 50 || tail != 200 {
				t.Errorf("head of %d frames, tail of %d", head, tail)
			}
			for i, s := range c.stretches { // every frame of it stands where it must
				for k := range s.Len() {
					if at := tl.segmentAt(tl.starts[i] + k); at.Tone || at.Raw != s.Raw || at.From+tl.starts[i]+k-at.At != s.From+k {
						t.Fatalf("frame %d of stretch %d is %+v", k, i, at)
					}
				}
			}
			wantUnheard(t, tl, marked)
			wantFigures(t, tl, marked)
		})
	}
}

// segmentAt is the segment a frame of the finished sound lies in.
func (t *timeline) segmentAt(frame int) Segment {
	i := slices.IndexFunc(t.segments, func(s Segment) bool { return frame < s.End() })
	return t.segments[i]
}

func wantUnheard(t *testing.T, tl *timeline, recs []*recording) {
	t.Helper()
	for i, v := range rendered(t, plainly(tl), recs, 4096) {
		if math.Abs(float64(v)) > 1 {
			t.Fatalf("at %.3f s something is heard (%.1f) that was left out", float64(i)/sampleRateHz, v)
		}
	}
}

// plainly plays a timeline without any gain of the leveler or a limiter.
func plainly(tl *timeline) Plan {
	return Plan{Segments: tl.segments, GainDB: make([]float32, tl.frames()+1), CeilingDBFS: noCeilingDBFS}
}

// wantFigures wants the frames that a raw fills alone to be as loud as the timeline says,
// and those of tone on the average.
func wantFigures(t *testing.T, tl *timeline, recs []*recording) {
	t.Helper()
	x := rendered(t, plainly(tl), recs, 4096)
	for i, s := range tl.segments {
		if s.Frames < 4 {
			continue
		}
		from, to := s.At+1, s.End()-1 // the fades left out
		if !s.Tone && s.Under == nil {
			for k := from; k < to; k++ {
				got, want := rmsDBFS(x[k*frameSamples:(k+1)*frameSamples]), plainDB(tl.power, k, k+1)
				if math.Abs(got-want) > 0.01 {
					t.Fatalf("frame %d of segment %d has %.2f dBFS, the timeline says %.2f", k-s.At, i, got, want)
				}
				if peak := peakDBFS(x[k*frameSamples : (k+1)*frameSamples]); math.Abs(peak-20*math.Log10(float64(tl.peak[k]))) > 0.01 {
					t.Fatalf("frame %d of segment %d has a peak of %.2f dBFS, the timeline says %.4f", k-s.At, i, peak, tl.peak[k])
				}
			}
			continue
		}
		if to-from < 20 { // the level of noise is not known better from less
			continue
		}
		got, want := rmsDBFS(x[from*frameSamples:to*frameSamples]), plainDB(tl.power, from, to)
		if math.Abs(got-want) > 1 {
			t.Errorf("segment %d (%+v) has %.2f dBFS, the timeline says %.2f", i, s, got, want)
		}
	}
}

// TestTrimGain wants one gain on all of a raw, its room and its laid-in tone included, in
// the figures and in the sound, and none on another.
func TestTrimGain(t *testing.T) {
	recs := []*recording{spelled(t, 3, -60), spelled(t, 4, -60)}
	spliced := splicedOf(recs, kept(recs, 0, 0, 1, 0), kept(recs, 1, 2, 3, 200))
	plain := trim(recs, spliced, 0.5, 4, 1.5)
	spliced.GainDB = []float64{0, -5}
	tl := trim(recs, spliced, 0.5, 4, 1.5)
	wantFigures(t, tl, recs)
	if !slices.ContainsFunc(tl.segments, func(s Segment) bool { return s.Raw == 1 && s.Tone && s.Frames > 50 }) {
		t.Fatal("no tone was laid in beside the raw with a gain")
	}
	a, b := rendered(t, plainly(plain), recs, 4096), rendered(t, plainly(tl), recs, 4096)
	for i, s := range tl.segments {
		from, to := (s.At+1)*frameSamples, (s.End()-1)*frameSamples
		for k := from; k < to; k++ {
			if want := a[k] * float32(dbToAmplitude(spliced.GainDB[s.Raw])); math.Abs(float64(b[k]-want)) > 1e-7 {
				t.Fatalf("segment %d: a sample of %g became %g, want %g", i, a[k], b[k], want)
			}
		}
	}
}

// TestPickupInAQuieterRoom wants the room of the chapter under a pickup from a quieter
// room: in its pauses the two together are as loud as the chapter's room within 1 dB,
// under its words lies what is missing, and no step is heard where it is faded in.
func TestPickupInAQuieterRoom(t *testing.T) {
	chapter, pickup := spelled(t, 3, -55), spelled(t, 4, -62)
	recs := []*recording{chapter, pickup}
	spliced := splicedOf(recs, kept(recs, 0, 0, 1, 0), kept(recs, 1, 2, 3, 200), kept(recs, 0, 3, 3, 200))
	spliced.GainDB[1] = 3
	without := trim(recs, spliced, 0.5, 2, 1.5)
	for _, s := range without.segments {
		if s.Under != nil {
			t.Fatalf("under a take lies %+v", *s.Under)
		}
	}
	pickup.role = takes.Pickup
	tl := trim(recs, spliced, 0.5, 2, 1.5)
	wantFigures(t, tl, recs)
	for _, s := range tl.segments {
		if (s.Under != nil) != (s.Raw == 1) {
			t.Errorf("segment %+v", s)
		}
	}
	x, y := rendered(t, plainly(tl), recs, 4096), rendered(t, plainly(without), recs, 4096)
	under := slices.Clone(x)
	for i := range under {
		under[i] -= y[i]
	}
	frames := func(x []float32, from, to int) []float32 { return x[from*frameSamples : to*frameSamples] }
	missing := 10 * math.Log10(math.Pow(10, -5.5)-math.Pow(10, -5.9))
	room := chapter.room.powerDBFS
	for i, p := range tl.phrases[1:3] { // the first is the chapter's
		if got := rmsDBFS(frames(under, p.From, p.To)); math.Abs(got-missing) > 1 {
			t.Errorf("under phrase %d of the pickup lie %.1f dBFS, want %.1f", i, got, missing)
		}
	}
	within := tl.pauses[2]
	if got := rmsDBFS(frames(x, within.From+edgeFrames, within.To-edgeFrames)); math.Abs(got-room) > 1 {
		t.Errorf("the pause within the pickup has %.1f dBFS, the room of the chapter %.1f", got, room)
	}
	for i, at := range []int{1, 3} { // the pauses the pickup is joined in, in pieces of 0.25 s
		p := tl.pauses[at]
		for from := p.From + edgeFrames; from+25 <= p.To-edgeFrames; from += 25 {
			if got := rmsDBFS(frames(x, from, from+25)); math.Abs(got-room) > 1.5 {
				t.Errorf("%.2f s into the pause at join %d the room has %.1f dBFS, want %.1f", float64(from-p.From)/100, i, got, room)
			}
		}
	}
	if got := plainDB(tl.power, within.From+edgeFrames, within.To-edgeFrames); math.Abs(got-room) > 1 {
		t.Errorf("the timeline says %.1f dBFS of the pause within the pickup, the room of the chapter has %.1f", got, room)
	}
	// The mean of sin^2 over the first half of a fade is 1/2-1/pi, -7.4 dB; 10 ms of noise
	// tell a level within 4 dB.
	half := missing + 10*math.Log10(0.5-1/math.Pi)
	for i, s := range tl.segments {
		if (i == 0 || tl.segments[i-1].Raw == 0) && s.Raw == 1 { // half of the fade lies before the edge
			if got := rmsDBFS(frames(under, s.At-1, s.At)); math.Abs(got-half) > 4 {
				t.Errorf("10 ms before the pickup's room %.1f dBFS are faded in, want %.1f", got, half)
			}
		}
		if i > 0 && tl.segments[i-1].Raw == 1 && s.Raw == 0 {
			if got := rmsDBFS(frames(under, s.At, s.At+1)); math.Abs(got-half) > 4 {
				t.Errorf("10 ms after the pickup's room %.1f dBFS are faded out, want %.1f", got, half)
			}
		}
	}
	// Away from the pickup nothing is changed.
	first, last := tl.phrases[0], tl.phrases[3]
	if peak := max(peakDBFS(frames(under, first.From, first.To)), peakDBFS(frames(under, last.From, last.To))); peak > -200 {
		t.Errorf("the words of the chapter were changed by %.1f dBFS", peak)
	}
	if again := rendered(t, plainly(tl), recs, 1000); !slices.Equal(again, x) {
		t.Error("other blocks, other samples")
	}
}

// TestUnderIsNotLaidInTone wants the tone under a pickup unlike the tone that is laid in
// beside it: where one is faded into the other the powers add, the amplitudes do not.
func TestUnderIsNotLaidInTone(t *testing.T) {
	recs := []*recording{spelled(t, 3, -55), spelled(t, 4, -68)}
	tapes := underTapes([]Segment{{Under: &Under{Raw: 0}}, {}, {Under: &Under{Raw: 0}}, {Under: &Under{Raw: 0, DB: 1}}}, recs)
	if len(tapes) != 2 {
		t.Fatalf("%d tapes, want one for each of two", len(tapes))
	}
	recs[0].room.rewind()
	var tones [3][]float32
	for i, room := range []*roomTone{recs[0].room, tapes[0].tape.room, tapes[1].tape.room} {
		tones[i] = make([]float32, 5*sampleRateHz)
		room.take(tones[i])
	}
	for _, pair := range [][2]int{{0, 1}, {0, 2}, {1, 2}} {
		a, b := tones[pair[0]], tones[pair[1]]
		if math.Abs(rmsDBFS(a)-rmsDBFS(b)) > 0.5 {
			t.Errorf("levels of %.2f and %.2f dBFS", rmsDBFS(a), rmsDBFS(b))
		}
		var ab, aa, bb float64
		for i := range a {
			ab, aa, bb = ab+float64(a[i])*float64(b[i]), aa+float64(a[i])*float64(a[i]), bb+float64(b[i])*float64(b[i])
		}
		if r := ab / math.Sqrt(aa*bb); math.Abs(r) > 0.1 {
			t.Errorf("tones %v are alike: %.2f", pair, r)
		}
	}
}

// TestNothingIsLaidUnder wants no other room under a pickup whose own is loud enough,
// and none where the chapter's is not known.
func TestNothingIsLaidUnder(t *testing.T) {
	gated := spelled(t, 3, math.Inf(-1))
	for name, recs := range map[string][]*recording{
		"as loud":      {spelled(t, 3, -60), spelled(t, 4, -60.5)},
		"louder":       {spelled(t, 3, -60), spelled(t, 4, -50)},
		"not known":    {gated, spelled(t, 4, -68)},
		"only pickups": {spelled(t, 3, -60), spelled(t, 4, -68)},
	} {
		t.Run(name, func(t *testing.T) {
			recs[1].role = takes.Pickup
			if name == "only pickups" {
				recs[0].role = takes.Pickup
			}
			tl := trim(recs, splicedOf(recs, kept(recs, 0, 0, 1, 0), kept(recs, 1, 2, 3, 200)), 0.5, 2, 1.5)
			for _, s := range tl.segments {
				if s.Under != nil {
					t.Fatalf("under %+v lies %+v", s, *s.Under)
				}
			}
		})
	}
}

// TestStretchesFillDigitalSilence wants no zeros over 20 ms where raws without any room
// are joined, within a phrase too.
func TestStretchesFillDigitalSilence(t *testing.T) {
	for _, pause := range []int{8, 100} {
		t.Run(fmt.Sprint(pause), func(t *testing.T) {
			recs := []*recording{spelled(t, 3, math.Inf(-1)), spelled(t, 4, -60)}
			recs[0].role = takes.Pickup
			tl := trim(recs, splicedOf(recs, kept(recs, 1, 0, 0, 0), kept(recs, 0, 1, 2, pause), kept(recs, 1, 3, 3, pause)), 0.5, 2, 1.5)
			if zeros := longestZeros(rendered(t, plainly(tl), recs, 4096)); zeros > sampleRateHz/50 {
				t.Errorf("%d zeros in a row", zeros)
			}
		})
	}
}
