package pipeline

import (
	"io"
	"math"
)

// renderer makes the finished sound from a Plan, block by block: segments with
// their cross-fades, gain, limiter. The same plan gives the same samples.
type renderer struct {
	plan  Plan
	recs  []*recording
	total int64 // samples of the finished sound

	next    int64 // first sample not yet made
	segment int   // the segment next lies in
	limit   *limiter
	late    int       // samples of delay still to be dropped
	ready   []float32 // made and limited, not yet taken
	block   []float32
	other   []float32 // the neighbor in a cross-fade
	tones   []toneTape
	unders  []underTape
}

// fadeSamples is the length of a cross-fade between two segments, 20 ms, half of
// it on either side of the edge. The curves are those for unlike sounds, whose
// powers add: room tone against room tone.
const fadeSamples = 2 * frameSamples

// blockFrames is how many frames are made at a time.
const blockFrames = 64

func newRenderer(plan Plan, recs []*recording) *renderer {
	r := &renderer{plan: plan, recs: recs, limit: newLimiter(plan.CeilingDBFS), late: limiterDelay}
	last := plan.Segments[len(plan.Segments)-1]
	r.total = int64(last.End()) * frameSamples
	r.block = make([]float32, blockFrames*frameSamples)
	r.other = make([]float32, blockFrames*frameSamples)
	r.tones = make([]toneTape, len(recs))
	for i, rec := range recs {
		rec.room.rewind()
		r.tones[i] = toneTape{room: rec.room}
	}
	r.unders = underTapes(plan.Segments, recs)
	return r
}

// read fills dst with the next samples of the finished sound; at the end n is 0
// and the error io.EOF. It is the encoder's source.
func (r *renderer) read(dst []float32) (n int, err error) {
	for len(r.ready) == 0 {
		if r.next >= r.total+limiterDelay {
			return 0, io.EOF
		}
		if err := r.make(); err != nil {
			return 0, err
		}
	}
	n = copy(dst, r.ready)
	r.ready = r.ready[n:]
	return n, nil
}

// make renders one more block into ready.
func (r *renderer) make() error {
	n := int(min(int64(len(r.block)), r.total-r.next))
	if n <= 0 { // the limiter still holds the last samples
		n = int(r.total + limiterDelay - r.next)
		clear(r.block[:n])
	} else if err := r.assemble(r.block[:n]); err != nil {
		return err
	} else {
		r.amplify(r.block[:n])
	}
	r.next += int64(n)
	r.limit.apply(r.block[:n])
	drop := min(r.late, n)
	r.late -= drop
	r.ready = r.block[drop:n]
	return nil
}

// assemble fills block with the segments' samples, cross-faded at their edges, and the
// room that is heard under them.
func (r *renderer) assemble(block []float32) error {
	segs := r.plan.Segments
	for at := r.next; len(block) > 0; {
		for int64(segs[r.segment].End())*frameSamples <= at {
			r.segment++
		}
		s := segs[r.segment]
		from, to := int64(s.At)*frameSamples, int64(s.End())*frameSamples
		n := int(min(int64(len(block)), to-at))
		if err := r.samples(block[:n], s, at); err != nil {
			return err
		}
		if r.segment > 0 && at < from+fadeSamples/2 {
			k := int(min(int64(n), from+fadeSamples/2-at))
			if err := r.fade(block[:k], segs[r.segment-1], at, from, true); err != nil {
				return err
			}
		}
		if r.segment+1 < len(segs) && at+int64(n) > to-fadeSamples/2 {
			k := int(max(0, to-fadeSamples/2-at))
			if err := r.fade(block[k:n], segs[r.segment+1], at+int64(k), to, false); err != nil {
				return err
			}
		}
		r.underlay(block[:n], at)
		block, at = block[n:], at+int64(n)
	}
	return nil
}

// samples fills dst with what segment s sounds like at position `at` of the
// finished sound, which may lie a little outside s.
func (r *renderer) samples(dst []float32, s Segment, at int64) error {
	gainDB := s.GainDB
	if s.Tone {
		r.tones[s.Raw].read(dst, at)
		gainDB += s.ToneDB
	} else if err := r.recs[s.Raw].scratch.read(dst, int64(s.From)*frameSamples+at-int64(s.At)*frameSamples); err != nil {
		return err
	}
	if gainDB != 0 {
		g := float32(dbToAmplitude(gainDB))
		for i := range dst {
			dst[i] *= g
		}
	}
	return nil
}

// fade mixes segment s into dst, which starts at position `at` near the edge
// between s and the segment dst holds. before tells that s comes first.
func (r *renderer) fade(dst []float32, s Segment, at, edge int64, before bool) error {
	other := r.other[:len(dst)]
	if err := r.samples(other, s, at); err != nil {
		return err
	}
	for i := range dst {
		in, out := fadeCurves(at + int64(i) - edge)
		if before {
			dst[i] = float32(float64(dst[i])*in + float64(other[i])*out)
		} else {
			dst[i] = float32(float64(dst[i])*out + float64(other[i])*in)
		}
	}
	return nil
}

// fadeCurves are the amplitudes of what comes and of what goes, at a sample counted from
// the edge in the middle of the fade.
func fadeCurves(fromEdge int64) (in, out float64) {
	// 0 at the start of the fade, 1 at its end.
	share := (float64(fromEdge) + fadeSamples/2 + 0.5) / fadeSamples
	return math.Sincos(share * math.Pi / 2)
}

// amplify applies the gain. Between two frames it moves in a straight line.
func (r *renderer) amplify(block []float32) {
	for at := 0; at < len(block); at += frameSamples {
		frame := int(r.next+int64(at)) / frameSamples
		g := dbToAmplitude(float64(r.plan.GainDB[frame]) + r.plan.OverallDB)
		step := (dbToAmplitude(float64(r.plan.GainDB[frame+1])+r.plan.OverallDB) - g) / frameSamples
		for i := range block[at : at+frameSamples] {
			block[at+i] *= float32(g)
			g += step
		}
	}
}

func dbToAmplitude(db float64) float64 { return math.Pow(10, db/20) }

// toneTape makes a stream of room tone readable at positions that run forward,
// a little back and forward again, as two neighbors of a cross-fade ask for it.
// It remembers the last block's worth.
type toneTape struct {
	room *roomTone
	kept []float32
	base int64
	open bool
}

func (t *toneTape) read(dst []float32, at int64) {
	if !t.open || at > t.base+int64(len(t.kept)) || at < t.base {
		t.base, t.kept, t.open = at, t.kept[:0], true
	}
	need := int(at + int64(len(dst)) - t.base - int64(len(t.kept)))
	if need > 0 {
		old := len(t.kept)
		t.kept = append(t.kept, make([]float32, need)...)
		t.room.take(t.kept[old:])
	}
	copy(dst, t.kept[at-t.base:])
	if drop := len(t.kept) - 2*fadeSamples; drop > 0 {
		t.base += int64(drop)
		t.kept = t.kept[:copy(t.kept, t.kept[drop:])]
	}
}
