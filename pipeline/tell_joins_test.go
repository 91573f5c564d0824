package pipeline

import (
	"context"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"lectern/pipeline/findings"
	"lectern/pipeline/internal/made"
	"lectern/pipeline/report"
	"lectern/pipeline/speech"
	"lectern/pipeline/takes"
)

// TestMakeTakesApart wants two takes without a word in common one after the other, and told.
func TestMakeTakesApart(t *testing.T) {
	m, r := mastered(t, jobOf(t,
		made.WAV16(44100, ferry(23, -68).Float32()),
		made.WAV16(48000, everyNth(ferry(33, -64).Float32(), 0.91875)),
	))
	wantLevels(t, "own decoder", decodedMP3(t, m.MP3))
	var joined []report.Finding
	for _, f := range r.Finished.Findings {
		if f.Kind == "joined" {
			joined = append(joined, f)
		}
	}
	if len(joined) != 1 || joined[0].Says == "" || math.Abs(float64(joined[0].AtS)-float64(r.Finished.DurationS)/2) > 2 {
		t.Errorf("findings %+v, want one join near the middle of %.1f s", joined, float64(r.Finished.DurationS))
	}
	if r.Verdict == report.Pass {
		t.Error("the verdict is pass: someone must hear the join")
	}
	if len(r.Joins) != 1 || r.Joins[0].Kind != takes.Apart || r.Joins[0].AtS != joined[0].AtS || len(r.Joins[0].Dropped) != 0 {
		t.Errorf("joins %+v", r.Joins)
	}
	if c := checkNamed(t, r.Checks, "nothing_lost"); c.Pass || float64(*c.Measured) != 1 || r.Verdict != report.Listen {
		t.Errorf("%s, verdict %s", c, r.Verdict)
	}
	last := -1.0
	seen := map[int]bool{}
	for _, e := range r.Recipe.Edits {
		if at := float64(e.AtS); at <= last {
			t.Errorf("edit %+v does not come after %.2f s", e, last)
		}
		last = float64(e.AtS)
		if e.Raw != nil {
			seen[*e.Raw] = true
		}
	}
	if len(seen) != 2 || len(r.Raws) != 2 {
		t.Errorf("edits use raws %v of %d", seen, len(r.Raws))
	}
}

// TestMakeReadsAgain wants a second take that reads the end of the first again and goes on
// to be joined there: every word once, and told.
func TestMakeReadsAgain(t *testing.T) {
	first := ferry(23, -66)
	cut := (first.Phrases[2].To + first.Phrases[3].From) / 2
	again := made.NewTape(1)
	again.Pause(0.5)
	again.Room(-66)
	x := slices.Concat(again.Float32(), first.Float32()[cut:], ferry(33, -66).Float32())
	m, r := mastered(t, jobOf(t, made.WAV16(44100, first.Float32()), made.WAV16(44100, x)))
	if len(r.Joins) != 1 {
		t.Fatalf("joins %+v", r.Joins)
	}
	j := r.Joins[0]
	inRaw := func(samples int) float64 { return float64(samples) / sampleRateHz }
	if j.Kind != takes.ReadAgain || j.FromRaw != 0 || j.ToRaw != 1 || j.Number != 1 || j.Likeness <= 0 ||
		math.Abs(float64(j.FromS)-inRaw(first.Phrases[2].To)) > 0.06 || math.Abs(float64(j.ToS)-0.5-inRaw(first.Phrases[3].From-cut)) > 0.06 {
		t.Errorf("join %+v; take 1 should be left at %.2f s", j, inRaw(first.Phrases[2].To))
	}
	words := inRaw(first.Phrases[4].To - first.Phrases[3].From)
	if math.Abs(float64(j.DroppedS)-words) > 0.1 || j.UnreadS > 0.1 || len(j.Dropped) != 1 {
		t.Errorf("%.2f s dropped, %.2f s unread, want %.2f and 0", j.DroppedS, j.UnreadS, words)
	}
	if math.Abs(float64(j.GainDB)) > 0.5 || j.ColorDB == nil || j.RoomDB == nil || math.Abs(float64(*j.RoomDB)) > 1 {
		t.Errorf("join %+v", j)
	}
	if len(m.timeline.phrases) != 10 {
		t.Errorf("%d phrases, want 10", len(m.timeline.phrases))
	}
	if at := m.timeline.phrases[3].From; inSeconds(at) != j.AtS {
		t.Errorf("the join is told at %.2f s, the word begins at %.2f", j.AtS, inSeconds(at))
	}
	for _, c := range r.Checks {
		if !c.Pass {
			t.Errorf("check failed: %s", c)
		}
	}
	for _, f := range r.Finished.Findings {
		if f.Kind == "joined" || f.Kind == "join_stands_out" {
			t.Errorf("finding %+v", f)
		}
	}
	if !strings.Contains(j.Says, "take 2 takes over from take 1") {
		t.Errorf("says %q", j.Says)
	}
}

// TestUnusedTake wants a second take that reads all of the first again to be used alone:
// nothing of the first may enter a figure, and no fault of it asks for an ear.
func TestUnusedTake(t *testing.T) {
	good := made.WAV16(44100, ferry(23, -64).Float32())
	worse := ferry(23, -60)
	bad := worse.Float32()
	p := worse.Phrases[1]
	peak := float32(dbToAmplitude(peakDBFS(bad[p.From:p.To])))
	for i := p.From; i < p.To; i++ { // clipped
		bad[i] = min(0.6*peak, max(-0.6*peak, bad[i]))
	}
	_, r := put(t, jobOf(t, made.WAV16(44100, bad), good), func(recs []*recording) *takes.Spliced {
		s := everything(recs)
		s.Stretches, s.Unused = s.Stretches[1:], []int{0}
		return s
	})
	_, alone := mastered(t, jobOf(t, good))
	if len(r.Joins) != 0 || len(r.Raws) != 2 || !r.Raws[0].Unused || r.Raws[1].Unused {
		t.Fatalf("joins %+v, unused %v and %v", r.Joins, r.Raws[0].Unused, r.Raws[1].Unused)
	}
	if len(r.Raws[0].Findings) == 0 {
		t.Error("the faults of the first take are not in its part of the report")
	}
	if r.Verdict != alone.Verdict || !slices.Equal(r.ToDo(), alone.ToDo()) {
		t.Errorf("verdict %s, to do %q; the second take alone has %s", r.Verdict, r.ToDo(), alone.Verdict)
	}
	if len(r.Recipe.Edits) != len(alone.Recipe.Edits) {
		t.Errorf("%d edits, %d of the second take alone", len(r.Recipe.Edits), len(alone.Recipe.Edits))
	}
	for i, s := range r.Steps {
		for name, v := range s.Figures {
			if want := alone.Steps[i].Figures[name]; math.Abs(float64(v-want)) > 0.02 {
				t.Errorf("%s of %s: %.3f, of the second take alone %.3f", name, s.Name, v, want)
			}
		}
	}
}

// put masters a job whose raws are put together as splice says.
func put(t *testing.T, job Job, splice func(recs []*recording) *takes.Spliced) (*Master, *report.Report) {
	t.Helper()
	progress := shares(nil)
	raws, err := readAll(context.Background(), job, progress)
	t.Cleanup(raws.discard)
	if err != nil {
		t.Fatal(err)
	}
	m, err := master(context.Background(), job, raws, splice(raws.recs), progress)
	if err != nil {
		t.Fatal(err)
	}
	m.tell(time.Second)
	return m, m.Report(1, testTime, nil)
}

// TestPickupIsTold puts a pickup from another seat and room into a chapter and wants it
// told once, with what differs; and where the chapter's room fills up a quieter one, the
// room is no difference.
func TestPickupIsTold(t *testing.T) {
	for name, c := range map[string]struct {
		roomDBFS float64
		dull     bool
		finding  bool
		words    []string
	}{
		"alike":   {-66, false, false, nil},
		"louder":  {-55, false, true, []string{"the room is", "dB louder"}},
		"quieter": {-76, false, false, nil},
		"duller":  {-66, true, true, []string{"high tones", "weaker"}},
	} {
		t.Run(name, func(t *testing.T) {
			x := ferry(23, c.roomDBFS).Float32()
			if c.dull {
				for i := len(x) - 1; i > 0; i-- {
					x[i] = (x[i] + x[i-1]) / 2
				}
				for i := len(x) - 1; i > 0; i-- {
					x[i] = (x[i] + x[i-1]) / 2
				}
			}
			job := jobOf(t, made.WAV16(44100, ferry(23, -66).Float32()), made.WAV16(44100, x))
			job.Raws[0] = Raw{Path: job.Raws[0].Path, Name: "03 The Ferry.wav", Role: takes.Chapter}
			job.Raws[1] = Raw{Path: job.Raws[1].Path, Name: "03 The Ferry pickup 1.wav", Role: takes.Pickup, Number: 1}
			m, r := put(t, job, func(recs []*recording) *takes.Spliced {
				p, q := recs[0].m.Phrases, recs[1].m.Phrases
				span := func(from, to speech.Span) speech.Span { return speech.Span{From: from.From, To: to.To} }
				return &takes.Spliced{
					Stretches: []takes.Stretch{{Raw: 0, Span: span(p[0], p[1])}, {Raw: 1, Span: span(q[2], q[2]), Pause: 60}, {Raw: 0, Span: span(p[3], p[4]), Pause: 60}},
					Joins: []takes.Join{
						{Stretch: 1, Kind: takes.PickedUp, Likeness: 2, Dropped: []takes.Stretch{{Raw: 0, Span: p[2]}}},
						{Stretch: 2, Kind: takes.PickedUp, Likeness: 2},
					},
					GainDB: []float64{0, 0},
				}
			})
			var told []report.Finding
			for _, f := range r.Finished.Findings {
				if f.Kind == "join_stands_out" {
					told = append(told, f)
				}
			}
			if c.finding != (len(told) == 1) || len(told) > 1 {
				t.Fatalf("findings %+v; color %v, room %v", told, *r.Joins[0].ColorDB, *r.Joins[0].RoomDB)
			}
			for _, words := range c.words {
				if !strings.Contains(told[0].Says, words) || told[0].AtS != r.Joins[0].AtS || !told[0].NeedsEar() {
					t.Errorf("told as %+v, want words on %q", told[0], words)
				}
			}
			if len(r.Joins) != 2 || r.Joins[1].FromRaw != 1 || r.Joins[1].ToRaw != 0 || r.Joins[0].DroppedS == 0 || r.Joins[1].DroppedS != 0 {
				t.Errorf("joins %+v", r.Joins)
			}
			if !strings.Contains(r.Joins[0].Says, "pickup 1 takes the place of") || !strings.Contains(r.Joins[1].Says, "the first recording goes on") {
				t.Errorf("says %q and %q", r.Joins[0].Says, r.Joins[1].Says)
			}
			// The edits are what is heard: those of the pickup lie between its joins.
			for _, e := range r.Recipe.Edits {
				if e.Raw != nil && *e.Raw == 1 && (e.AtS < r.Joins[0].AtS-0.31 || e.AtS > r.Joins[1].AtS) {
					t.Errorf("edit %+v", e)
				}
			}
			if (name == "quieter") != slices.ContainsFunc(m.timeline.segments, func(s Segment) bool { return s.Under != nil }) {
				t.Error("the room of the chapter lies under the pickup only where it must")
			}
		})
	}
}

// TestRetakesAreTold wants each state of a retake told with its places in the finished
// file, and only what is asked to fail the check.
func TestRetakesAreTold(t *testing.T) {
	for state, stretches := range map[string]int{takes.Asked: 1, takes.Kept: 1, takes.Cut: 2, takes.Marked: 2} {
		t.Run(state, func(t *testing.T) {
			m, r := put(t, jobOf(t, made.WAV16(44100, ferry(23, -66).Float32())), func(recs []*recording) *takes.Spliced {
				p := recs[0].m.Phrases
				s := everything(recs)
				if stretches == 2 {
					s.Stretches = []takes.Stretch{{Span: p[0]}, {Span: speech.Span{From: p[2].From, To: p[4].To}, Pause: 80}}
				}
				s.Retakes = []takes.Retake{{State: state, First: p[1], Again: p[2], Likeness: 7}}
				return s
			})
			got := r.Retakes[0]
			p := m.raws.recs[0].m.Phrases
			if got.Number != 1 || got.State != state || got.FromS != inSeconds(p[1].From) || got.AgainS != inSeconds(p[2].From) {
				t.Errorf("retake %+v", got)
			}
			at := m.timeline.phrases
			if stretches == 2 {
				if got.FinishedAtS != nil || *got.FinishedAgainS != inSeconds(at[1].From) {
					t.Errorf("retake %+v", got)
				}
			} else if *got.FinishedAtS != inSeconds(at[1].From) || *got.FinishedAgainS != inSeconds(at[2].From) {
				t.Errorf("retake %+v", got)
			}
			if c := checkNamed(t, r.Checks, "read_twice"); c.Pass != (state != takes.Asked) {
				t.Errorf("%s: pass %v", c, c.Pass)
			}
			if (r.Verdict == report.Listen) != (state == takes.Asked) {
				t.Errorf("verdict %s: %q", r.Verdict, r.ToDo())
			}
		})
	}
}

// TestUnlikeOctave takes each voice against its own mean, leaves 63 Hz out and finds the
// octave that differs most.
func TestUnlikeOctave(t *testing.T) {
	a := findings.Color{-9, -10, -5, -3, -6, -9, -12, -15}
	louder := findings.Color{30, -7, -2, 0, -3, -6, -9, -12}
	if db, _, ok := unlikeOctave(a, louder); !ok || math.Abs(db) > 1e-9 {
		t.Errorf("the same voice, louder: %.2f dB, %v", db, ok)
	}
	bright := slices.Clone(a)
	bright[6] += 7
	if db, hz, ok := unlikeOctave(a, bright); !ok || math.Abs(db-6) > 1e-9 || hz != 4000 {
		t.Errorf("7 dB more at 4000 Hz: %.2f dB at %g Hz, %v; want 6 over the mean", db, hz, ok)
	}
	if db, _, _ := unlikeOctave(bright, a); math.Abs(db+6) > 1e-9 {
		t.Errorf("the other way round: %.2f dB", db)
	}
	if _, _, ok := unlikeOctave(nil, a); ok {
		t.Error("a voice that is not known")
	}
}
