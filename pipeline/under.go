package pipeline

import (
	"fmt"
	"math"
	"slices"

	"lectern/pipeline/takes"
)

// A passage that is read again weeks later may be read in a quieter room. Between the
// words on either side the ear hears the room go and come back, so the room of the
// chapter is laid under it, as much as is missing. A louder room cannot be taken away.

// quieterDB is how much quieter the room of a pickup must be to be filled up: less is
// not heard (our choice).
const quieterDB = 1.0

// roomUnder is what must be laid under stretch k: for a pickup in a quieter room, of the
// room of the nearest stretch that is none, the earlier one first, so much that the
// powers of both add to that room's; nil where nothing must.
func (l *layout) roomUnder(stretches []takes.Stretch, k int) *Under {
	if l.recs[stretches[k].Raw].role != takes.Pickup {
		return nil
	}
	isPickup := func(i int) bool { return l.recs[stretches[i].Raw].role == takes.Pickup }
	beside := k - 1
	for beside >= 0 && isPickup(beside) {
		beside--
	}
	if beside < 0 {
		for beside = k + 1; beside < len(stretches) && isPickup(beside); {
			beside++
		}
	}
	if beside == len(stretches) || !l.recs[stretches[beside].Raw].room.borrowed {
		return nil
	}
	raw := stretches[beside].Raw
	want, has := l.roomDBFS(raw), l.roomDBFS(stretches[k].Raw)
	if want-has <= quieterDB {
		return nil
	}
	missing := math.Pow(10, want/10) - math.Pow(10, has/10)
	return &Under{Raw: raw, DB: 10*math.Log10(missing) - l.recs[raw].room.powerDBFS}
}

// roomDBFS is the level of a recording's room, its gain included.
func (l *layout) roomDBFS(raw int) float64 { return l.recs[raw].room.powerDBFS + l.gainDB[raw] }

// addUnder adds what lies under segment s to the figures of its frames.
func (l *layout) addUnder(s Segment) {
	power := float32(math.Pow(10, (l.recs[s.Under.Raw].room.powerDBFS+s.Under.DB)/10))
	for k := s.At; k < s.End(); k++ {
		l.t.power[k] += power
		// The two do not peak together.
		l.t.peak[k] = float32(math.Hypot(float64(l.t.peak[k]), noisePeak*math.Sqrt(float64(power))))
	}
}

// sameUnder tells whether the same is heard under two segments.
func sameUnder(a, b *Under) bool { return a == b || a != nil && b != nil && *a == *b }

// underTape is the tone of one Under.
type underTape struct {
	Under
	tape toneTape
}

// underTapes starts a tape for each Under of the segments, none of which is the tape of
// its raw's laid-in tone: where the one is faded into the other their powers add only if
// they are unlike.
func underTapes(segments []Segment, recs []*recording) []underTape {
	var out []underTape
	for _, s := range segments {
		if s.Under == nil || slices.ContainsFunc(out, func(t underTape) bool { return t.Under == *s.Under }) {
			continue
		}
		room := recs[s.Under.Raw].room.another(fmt.Sprintf("room under %d", len(out)))
		room.rewind()
		out = append(out, underTape{*s.Under, toneTape{room: room}})
	}
	return out
}

// underlay mixes into block, which lies within the segment that is being rendered and
// starts at position `at`, the room that is heard under it or faded at its edges.
func (r *renderer) underlay(block []float32, at int64) {
	for i := range r.unders {
		u := &r.unders[i]
		holds := func(segment int) float64 {
			if segment < 0 || segment == len(r.plan.Segments) {
				segment = r.segment // nothing is faded at the ends
			}
			if under := r.plan.Segments[segment].Under; under != nil && *under == u.Under {
				return 1
			}
			return 0
		}
		before, here, after := holds(r.segment-1), holds(r.segment), holds(r.segment+1)
		if before+here+after == 0 {
			continue
		}
		tone := r.other[:len(block)]
		u.tape.read(tone, at)
		s := r.plan.Segments[r.segment]
		from, to := int64(s.At)*frameSamples, int64(s.End())*frameSamples
		gain := dbToAmplitude(u.DB)
		for k := range block {
			share, pos := here, at+int64(k)
			if pos < from+fadeSamples/2 && before != here {
				in, out := fadeCurves(pos - from)
				share = math.Hypot(share*in, before*out)
			}
			if pos >= to-fadeSamples/2 && after != here {
				in, out := fadeCurves(pos - to)
				share = math.Hypot(share*out, after*in)
			}
			block[k] += float32(gain * share * float64(tone[k]))
		}
	}
}
