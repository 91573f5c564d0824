package encode

import (
	"errors"
	"fmt"
	"slices"

	"lectern/encode/layer3"
)

// Damage is a place where a file is not a row of whole frames, or where the inside
// of frames is broken.
type Damage struct {
	Offset int64 // in the file
	// AtS is the playing time before it, from the first frame on, UntilS the end of
	// what cannot be heard there.
	AtS, UntilS float64
	Says        string
}

// maxDamage is how many places are listed.
const maxDamage = 100

// A brokenRun is a place where frames one after the other, or nearly so, are
// broken inside.
type brokenRun struct {
	Damage
	// frames counts them all, leaning those that miss data before them, sums those
	// with a wrong checksum, loud those that are far over full scale.
	frames, leaning, sums, loud int
}

// nearFrames is how close broken frames lie to count as one place, our choice: what
// is lost in one frame breaks another that reaches back for it, but seldom more
// than two (511 bytes are at most).
const nearFrames = 3

// A brokenLog gathers them.
type brokenLog struct {
	runs  []brokenRun
	count int // of places, listed or not
	last  int64
}

// add takes frame number n, which has the error err.
func (l *brokenLog) add(n int64, at int64, fromS, toS float64, err error) {
	if l.count == 0 || n-l.last > nearFrames {
		l.count++
		if l.count <= maxDamage {
			l.runs = append(l.runs, brokenRun{Damage: Damage{Offset: at, AtS: fromS}})
		}
	}
	l.last = n
	if l.count > maxDamage {
		return
	}
	r := &l.runs[len(l.runs)-1]
	r.UntilS = toS
	r.frames++
	switch {
	case errors.Is(err, layer3.ErrReservoir):
		r.leaning++
	case errors.Is(err, layer3.ErrCRC):
		r.sums++
	case errors.Is(err, errTooLoud):
		r.loud++
	}
}

// says tells what is the matter with the frames of a run.
func (r brokenRun) says() string {
	frames, are, have, lean := "one frame here", "is", "has", "it leans"
	if r.frames > 1 {
		frames, are, have, lean = fmt.Sprintf("%d frames here", r.frames), "are", "have", "they lean"
	}
	switch {
	case r.leaning == r.frames && r.AtS == 0:
		return fmt.Sprintf("the start is silent for %.2f s, since the sound it leans on is missing: it was cut out of a longer file", r.UntilS)
	case r.leaning == r.frames:
		return fmt.Sprintf("%s %s silent, since the sound before that %s on is missing", frames, are, lean)
	case r.sums == r.frames:
		return fmt.Sprintf("%s %s a wrong checksum, though the sound can be played", frames, have)
	case r.loud == r.frames:
		return fmt.Sprintf("%s %s broken inside, and a noise far louder than full scale is heard", frames, are)
	}
	return fmt.Sprintf("%s %s broken inside and cannot be played", frames, are)
}

// withBroken puts the places of broken frames between those that Walk found, and
// makes one of two where the second comes of the first.
func withBroken(found []Damage, l *brokenLog, frameS float64) []Damage {
	all := slices.Clone(found)
	for _, r := range l.runs {
		i := slices.IndexFunc(all, func(d Damage) bool {
			return d.AtS <= r.AtS+frameS && r.AtS-d.AtS <= nearFrames*frameS && d.Offset < r.Offset
		})
		if i >= 0 {
			all[i].Says += "; " + r.says()
			all[i].UntilS = r.UntilS
			continue
		}
		r.Says = r.says()
		all = append(all, r.Damage)
	}
	slices.SortStableFunc(all, func(a, b Damage) int { return int(min(1, max(-1, a.Offset-b.Offset))) })
	return all
}
