package pipeline

import (
	"bytes"
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"pgregory.net/rapid"

	"lectern/config"
	"lectern/pipeline/internal/made"
	"lectern/pipeline/report"
	"lectern/pipeline/speech"
	"lectern/pipeline/takes"
)

// startsAt tells of a span whether it begins at a frame.
func startsAt(frame int) func(speech.Span) bool {
	return func(s speech.Span) bool { return s.From == frame }
}

// drawnTimeline draws phrases and pauses, cut into segments of two raws, with a gain for
// each phrase: what the choices of places look at.
func drawnTimeline(t *rapid.T) (*timeline, Plan) {
	tl := &timeline{}
	at := rapid.IntRange(0, 100).Draw(t, "head")
	tl.pauses = []speech.Span{{From: 0, To: at}}
	var gain []float32
	pauses := rapid.IntRange(5, 200)
	for range rapid.IntRange(1, 40).Draw(t, "phrases") * rapid.SampledFrom([]int{1, 8}).Draw(t, "times") {
		p := speech.Span{From: at, To: at + rapid.IntRange(20, 800).Draw(t, "phrase")}
		at = p.To + pauses.Draw(t, "pause")
		tl.phrases = append(tl.phrases, p)
		tl.pauses = append(tl.pauses, speech.Span{From: p.To, To: at})
		db := float32(rapid.IntRange(-6, 6).Draw(t, "gain"))
		for len(gain) < at {
			gain = append(gain, db)
		}
	}
	plan := Plan{GainDB: append(gain, 0), OverallDB: 3}
	for n := 0; n < at; {
		s := Segment{
			Raw: rapid.IntRange(0, 1).Draw(t, "raw"), Tone: rapid.IntRange(0, 5).Draw(t, "kind") == 0,
			From: rapid.IntRange(0, 9999).Draw(t, "from"), At: n, Frames: min(at-n, rapid.IntRange(1, 3000).Draw(t, "segment")),
		}
		plan.Segments = append(plan.Segments, s)
		n = s.End()
	}
	tl.segments, tl.laidIn, tl.peak = plan.Segments, make([]bool, at), make([]float32, at)
	for i := range tl.peak {
		tl.peak[i] = 0.1
	}
	return tl, plan
}

// TestChooseSample draws chapters and wishes: a sample lasts one to five minutes and is
// cut in pauses; there is none only where no two pauses allow one; and no other cut would
// be nearer the wish at both ends.
func TestChooseSample(t *testing.T) {
	chosen, none := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		tl, _ := drawnTimeline(t)
		end := len(tl.phrases)
		seconds := rapid.OneOf(rapid.Just(-1.0), rapid.Float64Range(0, 900), rapid.Float64Range(0, 1e9), rapid.Just(math.Inf(1)))
		wish := Span{seconds.Draw(t, "from"), seconds.Draw(t, "to")}
		length := func(i, j int) int {
			return tl.pauses[0].Len() + tl.phrases[j].To - tl.phrases[i].From + tl.pauses[end].Len()
		}
		cuts := func(i, j int) bool {
			return (i == 0 || tl.pauses[i].Len() >= 30) && (j == end-1 || tl.pauses[j+1].Len() >= 30) &&
				length(i, j) >= 6000 && length(i, j) <= 30000
		}
		first, last, ok := chooseSample(tl, wish)
		if !ok {
			none++
			for i := range end {
				for j := i; j < end; j++ {
					if cuts(i, j) {
						t.Fatalf("none chosen, but phrases %d to %d would do", i, j)
					}
				}
			}
			return
		}
		chosen++
		if !cuts(first, last) {
			t.Fatalf("phrases %d to %d, %.2f s, pauses of %d and %d frames", first, last,
				float64(length(first, last))/100, tl.pauses[first].Len(), tl.pauses[last+1].Len())
		}
		from, to := wish.frames(tl.frames())
		off := func(p speech.Span, at int) int { return max(0, p.From-at, at-p.To) }
		for i := range end {
			for j := i; j < end; j++ {
				// Five seconds are what the end of a sentence is worth.
				if cuts(i, j) && off(tl.pauses[i], from)+500 < off(tl.pauses[first], from) && off(tl.pauses[j+1], to)+500 < off(tl.pauses[last+1], to) {
					t.Fatalf("phrases %d to %d chosen, %d to %d are nearer %d to %d", first, last, i, j, from, to)
				}
			}
		}
	})
	if chosen < 10 || none < 10 {
		t.Errorf("%d were chosen, %d times there was none: draw others", chosen, none)
	}
}

// TestWishFrames holds what a wish leaves open.
func TestWishFrames(t *testing.T) {
	for _, c := range []struct {
		wish     Span
		from, to int
	}{
		{Span{-1, -1}, 0, 18000},
		{Span{70, -1}, 7000, 25000},
		{Span{70, 270}, 7000, 27000},
		{Span{-1, 200}, 0, 20000},
		{Span{-1, 400}, 22000, 40000}, // from the start it would be too long
		{Span{100, 90}, 10000, 28000},
		{Span{0, 1e12}, 0, 60000},
	} {
		if from, to := c.wish.frames(60000); from != c.from || to != c.to {
			t.Errorf("%+v: %d to %d, want %d to %d", c.wish, from, to, c.from, c.to)
		}
	}
}

// TestSampleEndsSentences wants a cut a little farther off where a sentence ends, and not
// far off for it.
func TestSampleEndsSentences(t *testing.T) {
	tl := &timeline{pauses: []speech.Span{{From: 0, To: 50}}}
	at := 50
	for i := range 200 {
		pause := 35
		if i%3 == 2 {
			pause = 90
		}
		tl.phrases = append(tl.phrases, speech.Span{From: at, To: at + 150})
		tl.pauses = append(tl.pauses, speech.Span{From: at + 150, To: at + 150 + pause})
		at += 150 + pause
	}
	tl.laidIn = make([]bool, at)
	// Phrases 30 and 60 begin sentences; the wish is at the starts of 31 and of 62.
	wish := Span{float64(tl.pauses[31].From+10) / 100, float64(tl.pauses[62].From+10) / 100}
	first, last, ok := chooseSample(tl, wish)
	if !ok || first != 30 || last != 62 {
		t.Errorf("phrases %d to %d, want 30 to 62: from one end of a sentence to the next", first, last)
	}
	if len := sentencePause(tl.pauses); len != 90 {
		t.Errorf("a sentence's pause is %d frames, want 90", len)
	}
}

// sentences is a made reading of some sentences, each of three phrases with short pauses
// between and a long one behind.
func sentences(seed uint64, n int, roomDBFS float64) *made.Tape {
	tape := made.NewTape(seed)
	tape.Lively = true
	tape.Pause(1.2)
	for i := range 3 * n {
		tape.Phrase(-23+3*math.Sin(float64(i)), 1.1+0.3*float64(i%4), []made.Consonant{made.S, made.None}[i%2], made.None)
		tape.Pause([]float64{0.42, 0.4, 1}[i%3])
	}
	tape.Pause(1.5)
	tape.Room(roomDBFS)
	return tape
}

// edgeWithinS is how near to its true place the edge of a word is found.
const edgeWithinS = 0.06

// sampleOf asks for a sample of what a job would make.
func sampleOf(t *testing.T, job Job, wish Span) (*Master, *report.Report) {
	t.Helper()
	job.Dir, job.Chapter = t.TempDir(), "Sample"
	job.Sample, job.SampleOf = &wish, SampleOf{"03 The Ferry", 2}
	return mastered(t, job)
}

// TestSample cuts a sample out of a chapter of a minute and a half and looks at it from outside: it
// begins and ends with whole sentences as they were made, has head, tail and levels like
// any chapter, and says the same as the chapter does there.
func TestSample(t *testing.T) {
	tape := sentences(51, 14, -62)
	job := jobOf(t, made.WAV16(made.RateHz, tape.Float32()))
	whole, _ := mastered(t, job)
	wish := Span{14, 76}
	m, r := sampleOf(t, job, wish)
	x := decodedMP3(t, m.MP3)
	wantLevels(t, "sample", x)
	for _, c := range r.Checks {
		if !c.Pass {
			t.Errorf("check failed: %s", c)
		}
	}
	if s := float64(r.Finished.DurationS); s < 60 || s > 300 || s != float64(len(x))/sampleRateHz {
		t.Errorf("%.2f s told, %d samples", s, len(x))
	}
	// Head and tail by energy alone, to the 60 ms within which the edge of a word is found.
	if head, tail := energyEdges(x, m.timeline.laidIn); math.Abs(head-0.5) > edgeWithinS || math.Abs(tail-2) > edgeWithinS {
		t.Errorf("head %.2f s, tail %.2f s", head, tail)
	}
	if n := len(m.timeline.pauses); m.timeline.pauses[0].Len() != 50 || m.timeline.pauses[n-1].Len() != 200 {
		t.Errorf("planned head %v and tail %v, want 50 and 200 frames", m.timeline.pauses[0], m.timeline.pauses[n-1])
	}
	told := r.Recipe.Sample
	if told == nil || told.Chapter != "03 The Ferry" || told.Revision != 2 || told.FromS != 14 || told.ToS != 76 {
		t.Fatalf("the recipe tells %+v", told)
	}
	// The chapter begins 0.5 s before the tape's first phrase.
	shift := float64(tape.Phrases[0].From)/sampleRateHz - 0.5
	first := phraseNear(t, tape, float64(told.BeginsS)+shift, func(p made.Span) int { return p.From })
	last := phraseNear(t, tape, float64(told.EndsS)+shift, func(p made.Span) int { return p.To })
	if first%3 != 0 || last%3 != 2 {
		t.Errorf("from phrase %d to %d: not whole sentences", first, last)
	}
	if math.Abs(float64(told.BeginsS)-wish.FromS) > 5 || math.Abs(float64(told.EndsS)-wish.ToS) > 5 {
		t.Errorf("from %.2f to %.2f s, the wish is %v", float64(told.BeginsS), float64(told.EndsS), wish)
	}
	if n := last - first + 1; len(m.timeline.phrases) != n {
		t.Errorf("%d phrases, want %d", len(m.timeline.phrases), n)
	}
	wantSameWords(t, whole, m, x, float64(told.BeginsS))
	wantOnly(t, m.job.Dir, "before.mp3", "chapter.mp3")

	wantSchema(t, r)

	// Made again from its recipe it is the same.
	again, r2 := sampleOf(t, job, Span{float64(told.FromS), float64(told.ToS)})
	if !slices.Equal(readFile(t, m.MP3), readFile(t, again.MP3)) || !slices.Equal(readFile(t, m.Before()), readFile(t, again.Before())) {
		t.Error("a second run gave another file")
	}
	r.Took, r2.Took = report.Took{}, report.Took{}
	a, err1 := report.Marshal(r)
	b, err2 := report.Marshal(r2)
	if err1 != nil || err2 != nil || string(a) != string(b) {
		t.Errorf("a second run gave another report (%v, %v)", err1, err2)
	}
}

// wantSchema holds a report to the schema.
func wantSchema(t *testing.T, r *report.Report) {
	t.Helper()
	schema, err := jsonschema.UnmarshalJSON(bytes.NewReader(report.SchemaJSON))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("schema.json", schema); err != nil {
		t.Fatal(err)
	}
	text, err := report.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	if err := c.MustCompile("schema.json").Validate(doc); err != nil {
		t.Error(err)
	}
}

// phraseNear finds the phrase of a tape with an edge at a time.
func phraseNear(t *testing.T, tape *made.Tape, atS float64, edge func(made.Span) int) int {
	t.Helper()
	for i, p := range tape.Phrases {
		if math.Abs(float64(edge(p))/sampleRateHz-atS) < edgeWithinS {
			return i
		}
	}
	t.Fatalf("no phrase at %.2f s of the recording", atS)
	return 0
}

// wantSameWords plays each phrase of a sample against the same one of its chapter: with one
// gain on one of them nothing must be left but what the limiter did, 25 dB under.
func wantSameWords(t *testing.T, whole, m *Master, x []float32, beginsS float64) {
	t.Helper()
	chapter := decodedMP3(t, whole.MP3)
	shift := int(math.Round(beginsS*sampleRateHz)) - m.timeline.phrases[0].From*frameSamples
	for i, p := range m.timeline.phrases {
		a := x[p.From*frameSamples : p.To*frameSamples]
		b := chapter[p.From*frameSamples+shift:][:len(a)]
		var ab, bb, aa float64
		for k := range a {
			ab += float64(a[k]) * float64(b[k])
			bb += float64(b[k]) * float64(b[k])
			aa += float64(a[k]) * float64(a[k])
		}
		if left := 10 * math.Log10((aa-ab*ab/bb)/aa); left > -25 || ab < 0 {
			t.Errorf("phrase %d at %.2f s: %.1f dB are not of the chapter", i, float64(p.From)/100, left)
		}
		if g := 20 * math.Log10(ab/bb); math.Abs(g) > 1.5 {
			t.Errorf("phrase %d at %.2f s: %.2f dB louder than in the chapter", i, float64(p.From)/100, g)
		}
	}
}

// TestSampleOfTakes cuts samples out of a chapter of two takes and a click in each: what
// is told is only what is heard in the sample.
func TestSampleOfTakes(t *testing.T) {
	first, second := sentences(52, 12, -64), sentences(53, 6, -64)
	// A click in a pause of either, where nothing is cut away.
	for _, tape := range []*made.Tape{first, second} {
		tape.Knock(float64(tape.Phrases[8].To)/sampleRateHz+0.5, -12, 3000, 0.002)
	}
	job := jobOf(t, made.WAV16(44100, first.Float32()), made.WAV16(44100, second.Float32()))
	whole, wr := mastered(t, job)
	if len(wr.Joins) != 1 {
		t.Fatalf("joins %+v", wr.Joins)
	}
	joinS := float64(wr.Joins[0].AtS)

	m, r := sampleOf(t, job, Span{joinS - 35, joinS + 32})
	begins := float64(r.Recipe.Sample.BeginsS)
	if len(r.Joins) != 1 || math.Abs(float64(r.Joins[0].AtS)-(joinS-begins+0.5)) > 0.011 || len(m.timeline.starts) != 2 {
		t.Errorf("joins %+v, want one at %.2f s", r.Joins, joinS-begins+0.5)
	}
	if r.Raws[0].Unused || r.Raws[1].Unused || checkNamed(t, r.Checks, "nothing_lost").Pass {
		t.Error("both takes are heard, with a join to listen to")
	}
	wantSameWords(t, whole, m, decodedMP3(t, m.MP3), begins)

	m, r = sampleOf(t, job, Span{0, 62})
	if len(r.Joins) != 0 || r.Raws[0].Unused || !r.Raws[1].Unused || !checkNamed(t, r.Checks, "nothing_lost").Pass {
		t.Errorf("joins %+v, second take unused %v", r.Joins, r.Raws[1].Unused)
	}
	if !slices.ContainsFunc(r.Raws[0].Findings, func(f report.Finding) bool { return f.Kind == "click" && f.FinishedAtS != nil }) {
		t.Errorf("the click of the first take is heard, but findings are %+v", r.Raws[0].Findings)
	}
	if len(r.Raws[1].Findings) != 0 {
		t.Errorf("findings %+v of a take that is not heard", r.Raws[1].Findings)
	}
	for _, e := range r.Recipe.Edits {
		if e.Raw != nil && *e.Raw != 0 {
			t.Errorf("edit %+v", e)
		}
	}
	wantSameWords(t, whole, m, decodedMP3(t, m.MP3), float64(r.Recipe.Sample.BeginsS))
}

// TestSampleRetakes wants the retakes of a sample to be those that are heard in it, called
// by the number and the chapter by which they are settled.
func TestSampleRetakes(t *testing.T) {
	whole := &takes.Spliced{
		GainDB:    []float64{0, -1},
		Stretches: []takes.Stretch{{Raw: 0, Span: speech.Span{From: 100, To: 1100}, Pause: takes.AsUsual}, {Raw: 1, Span: speech.Span{From: 50, To: 1050}, Pause: takes.AsUsual}, {Raw: 0, Span: speech.Span{From: 2000, To: 3000}, Pause: 44}},
		Joins:     []takes.Join{{Stretch: 1}, {Stretch: 2}},
		Retakes: []takes.Retake{
			{State: takes.Asked, Raw: 0, First: speech.Span{From: 150, To: 250}, Again: speech.Span{From: 300, To: 400}},
			{State: takes.Asked, Raw: 1, First: speech.Span{From: 500, To: 600}, Again: speech.Span{From: 700, To: 800}},
			{State: takes.Cut, Raw: 0, First: speech.Span{From: 1500, To: 1600}, Again: speech.Span{From: 2100, To: 2200}},
		},
		LoneMarks: []takes.Stretch{{Raw: 0, Span: speech.Span{From: 900, To: 910}}, {Raw: 1, Span: speech.Span{From: 900, To: 910}}},
	}
	var e excerpt
	e.Spliced = &takes.Spliced{GainDB: whole.GainDB}
	// The stretches begin at 50, 1120 and 2170; from 350 of raw 0 to 2400 of it again.
	e.take(whole, []int{50, 1120, 2170}, 50+250, 2170+400, 70)
	want := []takes.Stretch{
		{Raw: 0, Span: speech.Span{From: 350, To: 1100}, Pause: 70},
		{Raw: 1, Span: speech.Span{From: 50, To: 1050}, Pause: 70},
		{Raw: 0, Span: speech.Span{From: 2000, To: 2400}, Pause: 44},
	}
	if !slices.Equal(e.Stretches, want) {
		t.Errorf("stretches %+v, want %+v", e.Stretches, want)
	}
	if len(e.Joins) != 2 || !slices.Equal(e.retakes, []int{2, 3}) || len(e.LoneMarks) != 2 {
		t.Errorf("joins %+v, retakes %v, marks %v", e.Joins, e.retakes, e.LoneMarks)
	}
	// Within the second stretch alone.
	e = excerpt{Spliced: &takes.Spliced{GainDB: whole.GainDB}}
	e.take(whole, []int{50, 1120, 2170}, 1120, 1120+650, 70)
	if !slices.Equal(e.Stretches, []takes.Stretch{{Raw: 1, Span: speech.Span{From: 50, To: 700}, Pause: 70}}) || e.Joins != nil || e.retakes != nil || e.LoneMarks != nil {
		t.Errorf("stretches %+v, joins %+v, retakes %v, marks %v", e.Stretches, e.Joins, e.retakes, e.LoneMarks)
	}
	if whole.Stretches[0].From != 100 || whole.Joins[1].Stretch != 2 {
		t.Error("the chapter's own was changed")
	}
}

// TestSampleRefused wants a sentence where the chapter is too short, and nothing left.
func TestSampleRefused(t *testing.T) {
	job := jobOf(t, made.WAV16(44100, ferry(55, -66).Float32()))
	job.Sample = &Span{-1, -1}
	_, err := Make(context.Background(), job)
	wantRefused(t, err, "lasts 0:13, and a sample lasts at least a minute")
	wantOnly(t, job.Dir)
}

func wantRefused(t *testing.T, err error, says string) {
	t.Helper()
	var raw *RawError
	if !errors.As(err, &raw) || !strings.Contains(raw.Says, says) || !strings.HasSuffix(raw.Says, ".") {
		t.Errorf("error %v, want a *RawError with %q", err, says)
	}
}

// TestSampleWithoutPauses wants a sentence where six minutes are read in one breath.
func TestSampleWithoutPauses(t *testing.T) {
	tape := made.NewTape(54)
	tape.Pause(1)
	for range 140 {
		tape.Phrase(-22, 2.4, made.None, made.None)
		tape.Pause(0.2)
	}
	tape.Pause(3)
	tape.Room(-66)
	recs := []*recording{recorded(t, tape.Float32())}
	if n := len(recs[0].m.Phrases); n != 1 {
		t.Fatalf("%d phrases found, want one", n)
	}
	job := Job{Settings: config.Default().Chapter, Sample: &Span{60, 180}}
	_, err := excerptOf(job, recs, everything(recs))
	wantRefused(t, err, "a cut is only made in a pause")
}
