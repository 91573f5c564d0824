package speech

import (
	"cmp"
	"math"
	"slices"
)

// Without draws the map again as though nothing but room were heard in the given spans:
// sounds that are known to be no words, such as claps, which are loud enough to be taken
// for one or to be joined to a word beside them. Features and levels of the frames stay as
// they are, and the spans are listed among the Sounds. No phrase reaches into one. They are in order and do not
// overlap.
func (m *Map) Without(sounds []Span) *Map {
	if len(sounds) == 0 {
		return m
	}
	f := *m.Features
	f.Power = slices.Clone(f.Power)
	f.Voicing = slices.Clone(f.Voicing)
	for b := range f.Band {
		f.Band[b] = slices.Clone(f.Band[b])
	}
	sounds = slices.Clone(sounds)
	heard := make([]bool, f.Len()) // in one of the sounds
	for i, s := range sounds {
		// A spectrum reaches into the frames beside its own.
		sounds[i] = Span{max(0, s.From-besideFrames), min(f.Len(), s.To+besideFrames)}
		for k := sounds[i].From; k < sounds[i].To; k++ {
			heard[k] = true
		}
	}
	for _, s := range sounds {
		room := m.quietest(heard, s)
		for k := s.From; k < s.To && room.Len() > 0; k++ {
			from := room.From + (k-s.From)%room.Len()
			f.Power[k], f.Voicing[k] = m.Features.Power[from], m.Features.Voicing[from]
			for b := range f.Band {
				f.Band[b][k] = m.Features.Band[b][from]
			}
		}
	}
	out := Draw(&f)
	out.Features = m.Features
	out.Phrases = parted(out.Phrases, sounds)
	out.Pauses = between(out.Phrases, f.Len())
	out.Sounds = append(out.Sounds, sounds...)
	slices.SortFunc(out.Sounds, func(a, b Span) int { return cmp.Compare(a.From, b.From) })
	out.Sounds = join(out.Sounds, 0)
	return out
}

// parted takes the sounds out of the phrases.
func parted(phrases, sounds []Span) (out []Span) {
	for _, p := range phrases {
		for _, s := range sounds {
			if s.To <= p.From || s.From >= p.To {
				continue
			}
			if p.From < s.From {
				out = append(out, Span{p.From, s.From})
			}
			p.From = s.To
		}
		if p.From < p.To {
			out = append(out, p)
		}
	}
	return out
}

const (
	// besideFrames is how far the window of the voicing, 35 ms, reaches beyond a frame.
	besideFrames = 2
	// roomFrames is how much room is laid under a sound, again and again, and nearFrames
	// how far off it is looked for. Our choice.
	roomFrames, nearFrames = 8, 100
)

// quietest returns the softest stretch of roomFrames near s in which none of the sounds
// is heard; an empty one if there is none.
func (m *Map) quietest(heard []bool, s Span) (best Span) {
	least := math.Inf(1)
	for from := max(0, s.From-nearFrames); from+roomFrames <= min(len(heard), s.To+nearFrames); from++ {
		if slices.Contains(heard[from:from+roomFrames], true) {
			continue
		}
		sum := 0.0
		for _, p := range m.Features.Power[from : from+roomFrames] {
			sum += float64(p)
		}
		if sum < least {
			best, least = Span{from, from + roomFrames}, sum
		}
	}
	return best
}
