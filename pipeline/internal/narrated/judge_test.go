package narrated

import (
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/resample"
)

// TestJudgeSoftEdges wants an edge that has nothing but the softest beginning of a word
// beyond it counted apart from one that has a loud part of it there.
func TestJudgeSoftEdges(t *testing.T) {
	const ms = resample.OutHz / 1000
	for name, c := range map[string]struct {
		atMS         int
		inWord, soft int
	}{
		"before the word":           {0, 0, 0},
		"too little to be a part":   {40, 0, 0},
		"in the soft beginning":     {80, 0, 1},
		"behind the soft beginning": {130, 1, 0},
	} {
		x := make([]float32, 1000*ms)
		for i := range x {
			x[i] = 0.1
			if i < 100*ms {
				x[i] = 0.008 // 22 dB softer
			}
		}
		whole := made.Span{To: len(x)}
		s := &Session{Script: []string{"The ferry was late that night."}, Recordings: []*Recording{{
			Samples: x, Utterances: []Utterance{{Span: whole, Right: whole.To, Share: 1, Pieces: []made.Span{whole}}},
		}}}
		v := s.Judge([]Kept{{Span: made.Span{From: c.atMS * ms, To: whole.To}}})
		if v.EdgesInWord != c.inWord || v.EdgesSoft != c.soft {
			t.Errorf("%s: %d edges in a word and %d in its softest part, want %d and %d", name, v.EdgesInWord, v.EdgesSoft, c.inWord, c.soft)
		}
	}
}
