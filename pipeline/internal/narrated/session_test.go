package narrated

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/resample"
)

// told skips a test where the synthesizer is not installed.
func told(t *testing.T, err error) {
	t.Helper()
	if absent := new(AbsentError); errors.As(err, &absent) {
		t.Skip(absent.Error())
	}
	if err != nil {
		t.Fatal(err)
	}
}

func studio(t *testing.T) *Studio { return NewStudio(Voices()[1], t.TempDir(), 1) }

// perfect puts a session together from the truth: each sentence from the last
// recording that has it whole, runs of them in one stretch.
func perfect(s *Session) (kept []Kept) {
	var last *Utterance
	for k := range s.Script {
		in, at := -1, -1
		for i, r := range s.Recordings {
			for j, u := range r.Utterances {
				if u.Sentence == k && !u.Broken && !u.Old {
					in, at = i, j
				}
			}
		}
		if in < 0 {
			continue
		}
		u := &s.Recordings[in].Utterances[at]
		if n := len(kept); n > 0 && kept[n-1].Recording == in && at > 0 && last == &s.Recordings[in].Utterances[at-1] {
			kept[n-1].To = u.To
		} else {
			kept = append(kept, Kept{in, u.Span})
		}
		last = u
	}
	return kept
}

// TestJudge holds that a reading put together from the truth is without fault, and
// that each fault made in it on purpose is seen.
func TestJudge(t *testing.T) {
	works := studio(t)
	for seed := range uint64(6) {
		s, err := works.Takes(t.Context(), rand.New(rand.NewPCG(seed, 1)), 12, [][]string{
			{GoesBack, GoesBack}, {Fresh}, {Insert, GoesBack}, {Middle}, {Straight}, {GoesBack, Insert, Straight}}[seed]...)
		told(t, err)
		kept := perfect(s)
		v := s.Judge(kept)
		if v.WordsLost+v.Twice+v.BrokenLeft+v.EdgesInWord+v.JoinsOpen > 0 || v.JoinsRight != v.Joins || v.Words < 50 {
			t.Errorf("seed %d: the truth itself: %+v", seed, v)
		}
		first := s.Recordings[0].Utterances
		spoil := func(what string, seen func(Verdict) bool, kept []Kept) {
			t.Helper()
			if v := s.Judge(kept); !seen(v) {
				t.Errorf("seed %d, %s: %+v", seed, what, v)
			}
		}
		// Around the second sentence of the stretch that is longest.
		long := slices.MaxFunc(kept, func(a, b Kept) int { return (a.To - a.From) - (b.To - b.From) })
		i := slices.Index(kept, long)
		r := s.Recordings[long.Recording]
		j := slices.IndexFunc(r.Utterances, func(u Utterance) bool { return u.From == long.From }) + 1
		u, next := r.Utterances[j], r.Utterances[j+1]
		replace := func(by ...Kept) []Kept { return slices.Concat(kept[:i], by, kept[i+1:]) }
		spoil("a sentence dropped", func(v Verdict) bool {
			return v.WordsLost > 0 && v.SentencesLost == 1 && v.JoinsRight == v.Joins-1 && v.EdgesInWord == 0
		}, replace(Kept{long.Recording, made.Span{From: long.From, To: r.Utterances[j-1].To}}, Kept{long.Recording, made.Span{From: next.From, To: long.To}}))
		spoil("a sentence twice", func(v Verdict) bool { return v.WordsLost == 0 && v.Twice == 1 && v.JoinsOpen == 1 },
			replace(Kept{long.Recording, made.Span{From: long.From, To: u.To}}, Kept{long.Recording, made.Span{From: u.From, To: long.To}}))
		middle := u.Pieces[0].From + (u.Pieces[0].To-u.Pieces[0].From)/2
		spoil("a cut inside a word", func(v Verdict) bool { return v.EdgesInWord == 2 && v.JoinsRight < v.Joins },
			replace(Kept{long.Recording, made.Span{From: long.From, To: middle}}, Kept{long.Recording, made.Span{From: middle, To: long.To}}))
		spoil("words cut off", func(v Verdict) bool { return v.WordsLost > 0 && v.EdgesInWord > 0 },
			replace(Kept{long.Recording, made.Span{From: long.From, To: middle}}, Kept{long.Recording, made.Span{From: next.From, To: long.To}}))
		spoil("two sentences in the wrong order", func(v Verdict) bool { return v.WordsLost > 0 },
			replace(Kept{long.Recording, next.Span}, Kept{long.Recording, u.Span}))
		if last := first[len(first)-1]; last.Broken {
			spoil("one broken off left in", func(v Verdict) bool { return v.BrokenLeft == 1 && v.WordsLost == 0 },
				append([]Kept{{0, made.Span{From: first[0].From, To: last.To}}}, kept...))
		}
		spoil("nothing at all", func(v Verdict) bool { return v.WordsLost == v.Words }, nil)
	}
}

// TestSessionsTruth holds that what a session tells of itself is so: sound where it
// says there is, none in the pauses, levels as drawn.
func TestSessionsTruth(t *testing.T) {
	s, err := studio(t).Rolling(t.Context(), rand.New(rand.NewPCG(1, 1)), Ballad, 90, 0.5, 0.5)
	told(t, err)
	r := s.Recordings[0]
	broken, again := 0, 0
	for i, u := range r.Utterances {
		if i > 0 && u.Sentence == r.Utterances[i-1].Sentence {
			again++
		}
		if u.Broken {
			broken++
			if seconds(u.Right-u.From) < breakLeastS || u.Share >= 1 || u.Share <= 0 {
				t.Errorf("broken off after %.2f s, %.2f of it", seconds(u.Right-u.From), u.Share)
			}
		}
		if u.Pieces[0].From < u.From || u.Pieces[len(u.Pieces)-1].To > u.To {
			t.Errorf("pieces %v outside of %v", u.Pieces, u.Span)
		}
		if i > 0 && seconds(u.From-r.Utterances[i-1].To) < pauseLeastS-0.001 {
			t.Errorf("a pause of %.2f s", seconds(u.From-r.Utterances[i-1].To))
		}
	}
	if broken < 3 || again < broken || len(r.Marks) == 0 || len(r.Clicks) == 0 {
		t.Errorf("%d broken off, %d read again, %d marks, %d clicks", broken, again, len(r.Marks), len(r.Clicks))
	}
	power := func(x []float32) (sum float64) {
		for _, y := range x {
			sum += float64(y) * float64(y) / float64(len(x))
		}
		return sum
	}
	room := power(r.Samples[:resample.OutHz/2])
	for _, m := range r.Marks {
		for _, at := range []int{m.From, m.To - clapSamples} {
			loudest := 0.0
			for f := at / pieceFrame; f <= (at+clapSamples)/pieceFrame; f++ {
				loudest = max(loudest, power(r.Samples[f*pieceFrame:(f+1)*pieceFrame]))
			}
			if got := 10 * math.Log10(loudest/room); got < m.OverRoomDB-2.5 || got > m.OverRoomDB+9 {
				t.Errorf("a clap of %.1f dB over the room, stated are %.1f", got, m.OverRoomDB)
			}
		}
	}
}

// A pickup's passage put in its place is without fault; left out, the old words are
// heard.
func TestPickupSessions(t *testing.T) {
	s, passages, err := studio(t).Pickups(context.Background(), rand.New(rand.NewPCG(2, 1)), 24, Inside, AtEdge)
	told(t, err)
	if v := s.Judge(perfect(s)); v.WordsLost+v.Twice+v.OldLeft+v.EdgesInWord > 0 || v.JoinsRight != v.Joins || v.Joins != 4 {
		t.Errorf("the truth itself: %+v", v)
	}
	chapter := s.Recordings[0].Utterances
	if v := s.Judge([]Kept{{0, made.Span{From: chapter[0].From, To: chapter[len(chapter)-1].To}}}); v.OldLeft != 2 || len(passages) != 2 || passages[1].To-passages[1].From != 3 {
		t.Errorf("the chapter alone: %+v", v)
	}
}
