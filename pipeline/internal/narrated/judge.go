package narrated

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/resample"
)

// Kept is a stretch of one of a session's recordings in a finished reading.
type Kept struct {
	Recording int
	made.Span
}

// Verdict is what a finished reading is worth, by what was truly said.
type Verdict struct {
	// Words are those of the script that were said in some recording. WordsLost of them
	// are not heard in their order, some of SentencesLost sentences.
	Words, WordsLost, SentencesLost int
	// Twice counts whole sentences heard once more than they are in the script.
	Twice int
	// BrokenLeft are readings broken off that are heard though the sentence was said
	// whole somewhere; OldLeft are sentences heard in words a pickup sets right.
	BrokenLeft, OldLeft int
	// Edges are beginnings and ends of stretches, EdgesInWord those within speech. At those
	// of EdgesSoft nothing but the softest beginning or end of a word lies beyond the edge,
	// or what a synthesizer hisses beside it.
	Edges, EdgesInWord, EdgesSoft int
	// Joins are the places between stretches. At a right one the script goes on with
	// its next word and no edge is in a word. At an open one words are heard again:
	// nothing was decided there. All others are wrong.
	Joins, JoinsRight, JoinsOpen int
	// Says tells of every fault where it is.
	Says []string
}

// Our choice: less than this of speech cut off is no part of a word, and a reading
// broken off is heard from so much of it on.
const (
	intoSpeech  = resample.OutHz / 20
	brokenHeard = resample.OutHz / 5
	// partHeard is how much of a word must be heard. Where two readings of a sentence meet
	// in its middle, the places of a word differ by so much that half would be too much.
	partHeard = 0.35
	// softUnderDB is how far a soft beginning or end lies under the utterance, in each 10 ms.
	softUnderDB = 20
)

// heard is a word of the script in a finished reading.
type heard struct{ word, stretch int }

// Judge tells what a finished reading is worth. It goes by the truth about the
// recordings alone: where each sentence was spoken and how far.
func (s *Session) Judge(kept []Kept) (v Verdict) {
	first := s.firstWords()
	var all []heard
	whole := make([]int, len(s.Script)) // how often heard
	wholeSaid := make([]bool, len(s.Script))
	said := map[int]bool{}
	for _, r := range s.Recordings {
		for _, u := range r.Utterances {
			for _, w := range s.wordsIn(u, u.Span, 0.5) {
				said[first[u.Sentence]+w] = true
			}
			wholeSaid[u.Sentence] = wholeSaid[u.Sentence] || !u.Old && !u.Broken
		}
	}
	for i, k := range kept {
		for _, u := range s.Recordings[k.Recording].Utterances {
			words := s.wordsIn(u, k.Span, partHeard)
			for _, w := range words {
				all = append(all, heard{first[u.Sentence] + w, i})
			}
			if 2*len(words) > first[u.Sentence+1]-first[u.Sentence] && !u.Broken {
				whole[u.Sentence]++
			}
			part := u.within(k.Span)
			if u.Broken && wholeSaid[u.Sentence] && part > brokenHeard {
				v.BrokenLeft++
				v.says("raw %d at %.2f s: broken off, and heard", k.Recording, seconds(u.From))
			}
			if u.Old && 2*part > u.within(u.Span) {
				v.OldLeft++
				v.says("raw %d at %.2f s: the old words of sentence %d are heard", k.Recording, seconds(u.From), u.Sentence)
			}
		}
		for _, at := range []int{k.From, k.To} {
			v.Edges++
			switch deep, soft := s.inWord(k.Recording, at); {
			case deep <= intoSpeech:
			case soft:
				v.EdgesSoft++
				v.says("raw %d at %.2f s: an edge %.2f s within the softest part of a word", k.Recording, seconds(at), seconds(deep))
			default:
				v.EdgesInWord++
				v.says("raw %d at %.2f s: an edge %.2f s within words", k.Recording, seconds(at), seconds(deep))
			}
		}
	}
	for k, n := range whole {
		if n > 1 {
			v.Twice += n - 1
			v.says("sentence %d is heard %d times", k, n)
		}
	}
	v.lost(s, first, said, all)
	v.joins(s, kept, said, all)
	return v
}

func (v *Verdict) says(format string, args ...any) {
	v.Says = append(v.Says, fmt.Sprintf(format, args...))
}

func seconds(sample int) float64 { return float64(sample) / resample.OutHz }

// firstWords numbers the words of the script: the first of each sentence, and the end.
func (s *Session) firstWords() []int {
	first := make([]int, len(s.Script)+1)
	for i, text := range s.Script {
		first[i+1] = first[i] + len(strings.Fields(text))
	}
	return first
}

// wordsIn returns which words of its sentence an utterance says within a span. Words
// are taken as equally long parts of the sentence's sound, and as said if more than a
// part of one is.
func (s *Session) wordsIn(u Utterance, in made.Span, part float64) (words []int) {
	if u.Old {
		return nil
	}
	total := float64(sound(u.Pieces, u.Right)) / u.Share
	n := len(strings.Fields(s.Script[u.Sentence]))
	from, to := float64(sound(u.Pieces, in.From))/total, float64(sound(u.Pieces, min(in.To, u.Right)))/total
	for w := range n {
		a, b := float64(w)/float64(n), float64(w+1)/float64(n)
		if min(b, to)-max(a, from) > (b-a)*part {
			words = append(words, w)
		}
	}
	return words
}

// within counts the samples of sound of an utterance within a span.
func (u Utterance) within(in made.Span) int {
	return max(0, sound(u.Pieces, in.To)-sound(u.Pieces, in.From))
}

// inWord tells how far within words a sample lies: how many samples of sound lie before
// or behind it without a pause, whichever are fewer, and whether all of those are soft.
func (s *Session) inWord(recording, at int) (deep int, soft bool) {
	r := s.Recordings[recording]
	for _, u := range r.Utterances {
		for _, p := range u.Pieces {
			if at <= p.From || at >= p.To {
				continue
			}
			part := made.Span{From: p.From, To: at}
			if p.To-at < at-p.From {
				part = made.Span{From: at, To: p.To}
			}
			loudest := 0.0
			for x := range slices.Chunk(r.Samples[part.From:part.To], pieceFrame) {
				loudest = max(loudest, meanPower(x))
			}
			return part.To - part.From, loudest < meanPower(r.Samples[u.From:u.To])*math.Pow(10, -softUnderDB/10.0)
		}
	}
	return 0, true
}

// wrongEdge tells whether an edge at a sample cuts a word.
func (s *Session) wrongEdge(recording, at int) bool {
	deep, soft := s.inWord(recording, at)
	return deep > intoSpeech && !soft
}

func meanPower(x []float32) float64 {
	var sum float64
	for _, y := range x {
		sum += float64(y) * float64(y)
	}
	return sum / float64(len(x))
}

// lost counts the words that were said somewhere and are not in the longest part of
// what is heard that has the order of the script.
func (v *Verdict) lost(s *Session, first []int, said map[int]bool, all []heard) {
	inOrder := map[int]bool{}
	for _, w := range longestRising(all) {
		inOrder[w] = true
	}
	v.Words = len(said)
	for k := range s.Script {
		missing := 0
		for w := first[k]; w < first[k+1]; w++ {
			if said[w] && !inOrder[w] {
				missing++
			}
		}
		if missing > 0 {
			v.WordsLost += missing
			v.SentencesLost++
			v.says("sentence %d: %d of %d words are lost: %s", k, missing, first[k+1]-first[k], s.Script[k])
		}
	}
}

// longestRising returns the longest sequence of words, among those heard, that rises.
func longestRising(all []heard) (rising []int) {
	var ends []int // ends[n]: where in all the best sequence of n+1 words ends
	before := make([]int, len(all))
	for i, h := range all {
		n, _ := slices.BinarySearchFunc(ends, h.word, func(e, word int) int { return all[e].word - word })
		before[i] = -1
		if n > 0 {
			before[i] = ends[n-1]
		}
		if n == len(ends) {
			ends = append(ends, i)
		} else {
			ends[n] = i
		}
	}
	if len(ends) == 0 {
		return nil
	}
	for i := ends[len(ends)-1]; i >= 0; i = before[i] {
		rising = append(rising, all[i].word)
	}
	slices.Reverse(rising)
	return rising
}

// joins judges the places between stretches.
func (v *Verdict) joins(s *Session, kept []Kept, said map[int]bool, all []heard) {
	for i := 1; i < len(kept); i++ {
		before, after := -1, -1
		for _, h := range all {
			if h.stretch < i {
				before = h.word
			} else if after < 0 {
				after = h.word
			}
		}
		v.Joins++
		inWord := s.wrongEdge(kept[i-1].Recording, kept[i-1].To) || s.wrongEdge(kept[i].Recording, kept[i].From)
		skipped := false
		for w := before + 1; w < after; w++ {
			skipped = skipped || said[w]
		}
		switch {
		case after < 0 || after <= before:
			v.JoinsOpen++
		case !inWord && !skipped:
			v.JoinsRight++
		default:
			v.says("raw %d at %.2f s: a wrong join", kept[i].Recording, seconds(kept[i].From))
		}
	}
}
