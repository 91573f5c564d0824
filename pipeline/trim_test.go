package pipeline

import (
	"fmt"
	"testing"

	"lectern/pipeline/internal/made"
)

// wantLayout checks what must hold for any timeline: head and tail to the frame,
// segments that follow on each other without a hole, every frame of every
// recording from its first word to its last exactly once and in order (laid-in
// tone may stand for frames of digital silence only), and figures for each frame.
func wantLayout(t *testing.T, tl *timeline, recs []*recording, headS, tailS float64) {
	t.Helper()
	if got := tl.pauses[0].Len(); got != seconds(headS) {
		t.Errorf("head of %d frames, want %d", got, seconds(headS))
	}
	if got := tl.pauses[len(tl.pauses)-1].Len(); got != seconds(tailS) {
		t.Errorf("tail of %d frames, want %d", got, seconds(tailS))
	}
	at := 0
	next := make([]int, len(recs)) // the frame of each recording that must come next
	seen := make([]int, len(recs)) // frames kept between first and last word
	raw := 0
	for _, s := range tl.segments {
		if s.At != at || s.Frames <= 0 {
			t.Errorf("segment %+v does not start at %d", s, at)
		}
		at = s.End()
		if s.Raw < raw {
			t.Errorf("segment %+v comes after recording %d", s, raw)
		}
		raw = s.Raw
		if s.Tone {
			continue
		}
		r := recs[s.Raw]
		if s.From < next[s.Raw] || s.From < 0 || s.From+s.Frames > r.m.Features.Len() {
			t.Errorf("segment %+v: frame %d must come next, of %d", s, next[s.Raw], r.m.Features.Len())
		}
		first, last := r.m.Phrases[0].From, r.m.Phrases[len(r.m.Phrases)-1].To
		next[s.Raw] = s.From + s.Frames
		for k := s.From; k < next[s.Raw]; k++ {
			if r.silent[k] {
				t.Errorf("digital silence at frame %d of recording %d was kept", k, s.Raw)
			}
			if k >= first && k < last {
				seen[s.Raw]++
			}
		}
	}
	for i, r := range recs {
		first, last := r.m.Phrases[0].From, r.m.Phrases[len(r.m.Phrases)-1].To
		silent := 0
		for _, s := range r.silent[first:last] {
			if s {
				silent++
			}
		}
		if seen[i]+silent != last-first {
			t.Errorf("recording %d: %d frames kept and %d of silence, want %d between first and last word", i, seen[i], silent, last-first)
		}
	}
	if at != tl.frames() || len(tl.power) != at || len(tl.peak) != at || len(tl.laidIn) != at {
		t.Errorf("segments end at %d, figures at %d, %d, %d", at, len(tl.power), len(tl.peak), len(tl.laidIn))
	}
}

// laid is how many frames of tone were laid in before and after the words and inside.
func laid(tl *timeline) (head, inside, tail int) {
	body := tl.body()
	for i, in := range tl.laidIn {
		switch {
		case !in:
		case i < body.From:
			head++
		case i >= body.To:
			tail++
		default:
			inside++
		}
	}
	return head, inside, tail
}

// TestTrim lays out readings whose heads and tails differ. A tape is what stands
// around two phrases; tone must be laid in exactly where the raw has no clean room.
func TestTrim(t *testing.T) {
	type made1 = func(*made.Tape)
	nothing := func(*made.Tape) {}
	pause := func(s float64) made1 { return func(t *made.Tape) { t.Pause(s) } }
	for _, c := range []struct {
		name          string
		before, after made1
		over          made1 // laid over the whole, room included
		headTone      [2]int
		tailTone      [2]int // least and most frames of tone
	}{
		{"much clean room", pause(2), pause(4), nothing, [2]int{0, 0}, [2]int{0, 0}},
		{"0.2 s before, 1 s after", pause(0.2), pause(1), nothing, [2]int{29, 35}, [2]int{99, 105}},
		{"no room at all", pause(0), pause(0), nothing, [2]int{49, 50}, [2]int{199, 200}},
		{"click well before", pause(2), pause(4), func(t *made.Tape) { t.Knock(0.5, -20, 3000, 0.002) }, [2]int{0, 0}, [2]int{0, 0}},
		// The click stands 0.3 s before the word; 30 ms and keepClear after it are not clean either.
		{"click 0.3 s before", pause(2), pause(4), func(t *made.Tape) { t.Knock(1.7, -20, 3000, 0.002) }, [2]int{24, 30}, [2]int{0, 0}},
		{"breath joined to the word", func(t *made.Tape) { t.Pause(1); t.Breath(-44, 0.4) }, pause(4), nothing, [2]int{35, 50}, [2]int{0, 0}},
		{"breath after the last word", pause(2), func(t *made.Tape) { t.Pause(0.4); t.Breath(-44, 0.4); t.Pause(3) }, nothing, [2]int{0, 0}, [2]int{155, 175}},
	} {
		t.Run(c.name, func(t *testing.T) {
			tape := made.NewTape(11)
			c.before(tape)
			tape.Phrase(-20, 1.5, made.None, made.None)
			tape.Pause(1)
			tape.Phrase(-20, 1.5, made.None, made.None)
			c.after(tape)
			tape.Room(-66)
			c.over(tape)
			recs := []*recording{recorded(t, tape.Float32())}
			tl := trimWhole(recs, 0.5, 2, 1.5)
			wantLayout(t, tl, recs, 0.5, 2)
			head, inside, tail := laid(tl)
			if head < c.headTone[0] || head > c.headTone[1] {
				t.Errorf("%d frames of tone laid in before the first word, want %v", head, c.headTone)
			}
			if tail < c.tailTone[0] || tail > c.tailTone[1] {
				t.Errorf("%d frames of tone laid in after the last word, want %v", tail, c.tailTone)
			}
			if inside != 0 {
				t.Errorf("%d frames of tone laid in between the words", inside)
			}
			wantQuietHead(t, tl, recs)
		})
	}
}

// wantQuietHead wants nothing in the head over the room by 10 dB in any 10 ms
// (the project's own figure); the last frame is left to the fade into the word.
func wantQuietHead(t *testing.T, tl *timeline, recs []*recording) {
	t.Helper()
	plan := Plan{Segments: tl.segments, GainDB: make([]float32, tl.frames()+1)}
	x := rendered(t, plan, recs, 4096)
	for k := range tl.pauses[0].To - 1 {
		level := rmsDBFS(x[k*frameSamples : (k+1)*frameSamples])
		if over := level - recs[0].room.powerDBFS; over > 10 {
			t.Errorf("frame %d of the head is %.1f dB over the room", k, over)
		}
	}
}

// TestTrimFillsDigitalSilence wants no run of zeros over 20 ms in what is
// rendered from a raw whose pauses are muted, dropped out, or silent at its ends.
func TestTrimFillsDigitalSilence(t *testing.T) {
	muted := func(t *made.Tape) {}
	dropOut := func(t *made.Tape) {
		t.Room(-60)
		middle := (t.Phrases[0].To + t.Phrases[1].From) / 2
		clear(t.Samples[middle : middle+made.Frames(0.2)])
		clear(t.Samples[t.Phrases[1].From+made.Frames(0.5):][:made.Frames(0.05)]) // within a word
		clear(t.Samples[:made.Frames(0.8)])
	}
	for name, room := range map[string]func(*made.Tape){"muted": muted, "drop-outs": dropOut} {
		t.Run(name, func(t *testing.T) {
			tape := made.NewTape(2)
			tape.Pause(1)
			for range 3 {
				tape.Phrase(-20, 1.5, made.None, made.None)
				tape.Pause(1)
			}
			room(tape)
			x := tape.Float32()
			if zeros := longestZeros(x); zeros < sampleRateHz/5 {
				t.Fatalf("the raw has but %d zeros in a row", zeros)
			}
			recs := []*recording{recorded(t, x)}
			tl := trimWhole(recs, 0.5, 2, 1.5)
			wantLayout(t, tl, recs, 0.5, 2)
			plan := Plan{Segments: tl.segments, GainDB: make([]float32, tl.frames()+1)}
			if zeros := longestZeros(rendered(t, plan, recs, 4096)); zeros > sampleRateHz/50 {
				t.Errorf("%d zeros in a row, want %d at most", zeros, sampleRateHz/50)
			}
			if _, inside, _ := laid(tl); inside == 0 {
				t.Error("no tone laid in inside")
			}
		})
	}
}

// TestTrimJoinsTakes wants two takes one after the other, with the reading's
// usual pause between their words.
func TestTrimJoinsTakes(t *testing.T) {
	first, _ := wordsIn(t, -60, -20, -20, -20) // its pauses last 0.8 s
	second, _ := wordsIn(t, -58, -24, -24)
	recs := []*recording{first, second}
	for _, c := range []struct {
		mostS    float64
		min, max int
	}{{1.5, 74, 82}, {0.5, 50, 50}} {
		t.Run(fmt.Sprintf("at most %g s", c.mostS), func(t *testing.T) {
			tl := trimWhole(recs, 0.5, 2, c.mostS)
			wantLayout(t, tl, recs, 0.5, 2)
			if len(tl.phrases) != 5 || len(tl.pauses) != 6 {
				t.Fatalf("%d phrases, %d pauses", len(tl.phrases), len(tl.pauses))
			}
			if got := tl.pauses[3].Len(); got < c.min || got > c.max {
				t.Errorf("%d frames between the takes, want %d to %d", got, c.min, c.max)
			}
			if len(tl.starts) != 2 || tl.starts[0] != tl.phrases[0].From || tl.starts[1] != tl.phrases[3].From {
				t.Errorf("the takes start at %v, their first words are %v and %v", tl.starts, tl.phrases[0], tl.phrases[3])
			}
		})
	}
}

// TestUsualPause wants the median of the pauses, within bounds, and 0.7 s where there are none.
func TestUsualPause(t *testing.T) {
	one, _ := wordsIn(t, -60, -20)
	if got := usualPause([]*recording{one}, everything([]*recording{one}).Stretches, 1.5); got != 70 {
		t.Errorf("no pauses: %d frames, want 70", got)
	}
	if got := usualPause([]*recording{one}, everything([]*recording{one}).Stretches, 0.5); got != 50 {
		t.Errorf("no pauses, at most 0.5 s: %d frames, want 50", got)
	}
}
