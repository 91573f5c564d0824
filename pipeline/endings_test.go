package pipeline

import (
	"testing"

	"lectern/pipeline/speech"
	"lectern/pipeline/takes"
)

// TestTrimKeepsEndings wants a sound right behind the last word before a join, or before
// the tail, kept: a soft one may be the s of "ropes". One that is farther off, or too long
// for a soft one, or nearer to the words behind it, or a mark, is none.
func TestTrimKeepsEndings(t *testing.T) {
	const gap, most = 10, 30 // frames: 0.1 s of silence, 0.3 s of consonant
	for name, c := range map[string]struct {
		gap, frames      int
		mark, last, loud bool
		nearer, kept     bool
	}{
		"at once":           {frames: 20, kept: true},
		"behind a closure":  {gap: gap, frames: most, kept: true},
		"farther off":       {gap: gap + 1, frames: 20},
		"too long":          {frames: most + 1},
		"long and loud":     {frames: most + 10, loud: true, kept: true},
		"much too long":     {frames: 61, loud: true},
		"nearer to others":  {gap: gap, frames: 20, nearer: true},
		"a mark":            {gap: 2, frames: 20, mark: true},
		"of the last words": {frames: 20, last: true, kept: true},
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
			if c.loud {
				asLoudAsSpeech(r, sound)
			}
			if c.nearer {
				r.m.Runs[2].From = sound.To + c.gap
			}
			tl := trim(recs, splicedOf(recs, stretches...), 0.5, 2, 1.5)
			if got := framesHeard(tl, sound); c.kept && got != sound.Len() || !c.kept && got > 0 {
				t.Errorf("of %d frames %d are heard", sound.Len(), got)
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

// TestTrimKeepsOpenings wants a sound right before the first word of a stretch kept if it
// is as loud as speech and long enough for a word: the map takes a short one for a breath.
func TestTrimKeepsOpenings(t *testing.T) {
	const gap = 10
	for name, c := range map[string]struct {
		gap, frames  int
		loud, mark   bool
		nearer, kept bool
	}{
		"a short word":     {gap: 4, frames: 18, loud: true, kept: true},
		"behind a closure": {gap: gap, frames: 18, loud: true, kept: true},
		"farther off":      {gap: gap + 1, frames: 18, loud: true},
		"a breath":         {gap: 4, frames: 18},
		"a click":          {gap: 4, frames: 4, loud: true},
		"much too long":    {gap: 4, frames: 61, loud: true},
		"nearer to others": {gap: gap, frames: 18, loud: true, nearer: true},
		"a mark":           {gap: 4, frames: 18, loud: true, mark: true},
	} {
		t.Run(name, func(t *testing.T) {
			recs := []*recording{spelled(t, 3, -60), spelled(t, 4, -60)}
			r := recs[0]
			word := r.m.Runs[2].From
			sound := speech.Span{From: word - c.gap - c.frames, To: word - c.gap}
			r.m.Sounds = []speech.Span{sound}
			if c.mark {
				r.marks = []takes.Mark{{Sounds: sound}}
			}
			if c.loud {
				asLoudAsSpeech(r, sound)
			}
			if c.nearer {
				r.m.Runs[1].To = sound.From - c.gap
			}
			tl := trim(recs, splicedOf(recs, kept(recs, 1, 0, 1, 0), kept(recs, 0, 2, 2, 60)), 0.5, 2, 1.5)
			if got := framesHeard(tl, sound); c.kept && got != sound.Len() || !c.kept && got > 0 {
				t.Errorf("of %d frames %d are heard", sound.Len(), got)
			}
			want := 60
			if c.kept {
				want = max(60, c.gap+c.frames+30)
			}
			if join := tl.pauses[1].Len(); join != want {
				t.Errorf("a pause of %d frames, want %d", join, want)
			}
			if at := tl.phrases[len(tl.phrases)-1].From; tl.starts[1] != at {
				t.Errorf("the second stretch is said to begin at frame %d, its words do at %d", tl.starts[1], at)
			}
		})
	}
}

// TestHeadIsRoomAlone wants half a second of room before a sound that is as loud as speech,
// which may be the first word, and not a head that it stands in.
func TestHeadIsRoomAlone(t *testing.T) {
	const gap, frames = 4, 40
	recs := []*recording{spelled(t, 3, -60)}
	r := recs[0]
	word := r.m.Runs[1].From
	sound := speech.Span{From: word - gap - frames, To: word - gap}
	r.m.Sounds = []speech.Span{sound}
	r.m.Runs[0].To = sound.From - 2*gap
	asLoudAsSpeech(r, sound)
	tl := trim(recs, splicedOf(recs, kept(recs, 0, 1, 2, 0)), 0.5, 2, 1.5)
	if got := framesHeard(tl, sound); got != frames {
		t.Errorf("of %d frames %d are heard", frames, got)
	}
	if start := tl.starts[0]; start != 50+gap+frames {
		t.Errorf("the words begin at frame %d, want %d", start, 50+gap+frames)
	}
}

// asLoudAsSpeech makes the frames of a sound as loud as those of the reading's words.
func asLoudAsSpeech(r *recording, sound speech.Span) {
	for k := sound.From; k < sound.To; k++ {
		r.m.Features.Power[k] = 0.01 // -20 dBFS, as the words are made
	}
}

// framesHeard counts the frames of a sound of the first recording that are heard.
func framesHeard(tl *timeline, sound speech.Span) (n int) {
	for _, s := range tl.segments {
		if s.Raw == 0 && !s.Tone {
			n += max(0, min(s.From+s.Frames, sound.To)-max(s.From, sound.From))
		}
	}
	return n
}
