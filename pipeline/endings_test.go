package pipeline

import (
	"testing"

	"lectern/pipeline/speech"
	"lectern/pipeline/takes"
)

// TestTrimKeepsEndings wants a soft sound right behind the last word before a join, or
// before the tail, kept: it may be the s of "ropes". One that is farther off, or too long,
// or a mark, is none.
func TestTrimKeepsEndings(t *testing.T) {
	const endingGap, endingMost = 5, 30 // frames: 50 ms of silence, 0.3 s of consonant
	for name, c := range map[string]struct {
		gap, frames int
		mark, last  bool
		kept        bool
	}{
		"at once":           {0, 20, false, false, true},
		"behind a closure":  {endingGap, endingMost, false, false, true},
		"farther off":       {endingGap + 1, 20, false, false, false},
		"too long":          {0, endingMost + 1, false, false, false},
		"a mark":            {2, 20, true, false, false},
		"of the last words": {0, 20, false, true, true},
	} {
		t.Run(name, func(t *testing.T) {
			recs := []*recording{spelled(t, 3, -60), spelled(t, 4, -60)}
			r := recs[0]
			stretches := []takes.Stretch{kept(recs, 0, 0, 1, 0), kept(recs, 1, 2, 2, 60)}
			if c.last {
				stretches = []takes.Stretch{kept(recs, 1, 2, 2, 0), kept(recs, 0, 0, 1, 60)}
			}
			from := r.m.Runs[1].To + c.gap
			sound := speech.Span{From: from, To: from + c.frames}
			r.m.Sounds = []speech.Span{sound}
			if c.mark {
				r.marks = []takes.Mark{{Sounds: sound}}
			}
			tl := trim(recs, splicedOf(recs, stretches...), 0.5, 2, 1.5)
			heard := 0
			for _, s := range tl.segments {
				if s.Raw == 0 && !s.Tone {
					heard += max(0, min(s.From+s.Frames, sound.To)-max(s.From, sound.From))
				}
			}
			if c.kept && heard != sound.Len() || !c.kept && heard > 0 {
				t.Errorf("of %d frames %d are heard", sound.Len(), heard)
			}
			join, tail := tl.pauses[len(tl.pauses)-2].Len(), tl.pauses[len(tl.pauses)-1].Len()
			want := 60
			if c.kept && !c.last { // half of the pause lies before the words that follow
				want = max(60, c.gap+c.frames+30)
			}
			if join != want || tail != 200 {
				t.Errorf("a pause of %d frames and a tail of %d, want %d and 200", join, tail, want)
			}
		})
	}
}
