package findings

import (
	"slices"

	"lectern/pipeline/speech"
)

// LongPause is a pause far longer than the reading's own habit.
type LongPause struct {
	FromS, UntilS float64
	UsualS        float64 // nine of ten of the reading's pauses are shorter; 0 if it has too few
}

// The numbers below are our choice.
const (
	// longS is the shortest pause that is told: a break between two scenes is
	// commonly 2 to 3 s long (common practice, no source).
	longS = 4.0
	// habitTimes is how many times the usual long pause it must last.
	habitTimes = 2.5
	// habitPauses is how many pauses make a habit; of a reading with fewer, only a
	// pause of loneLongS is told.
	habitPauses = 8
	loneLongS   = 6.0
)

// longPauses looks between the first word and the last.
func longPauses(m *speech.Map) []LongPause {
	if len(m.Pauses) < 3 {
		return nil
	}
	inner := m.Pauses[1 : len(m.Pauses)-1]
	lengths := make([]float64, len(inner))
	for i, p := range inner {
		lengths[i] = p.Seconds()
	}
	slices.Sort(lengths)
	var out []LongPause
	for _, p := range inner {
		s := p.Seconds()
		usual := 0.0
		if len(lengths) > habitPauses {
			// Of the others: leave this pause itself out.
			at, _ := slices.BinarySearch(lengths, s)
			others := slices.Delete(slices.Clone(lengths), at, at+1)
			usual = others[len(others)*9/10]
		}
		if s < longS || usual > 0 && s < habitTimes*usual || usual == 0 && s < loneLongS {
			continue
		}
		out = append(out, LongPause{seconds(p.From), seconds(p.To), usual})
	}
	return out
}

func seconds(frame int) float64 { return float64(frame) / speech.FramesPerSecond }
