package findings

import "math"

// Samples hears what a recording's samples tell by themselves, block by block, at
// the file's own rate. It holds well under 3 MB a channel however long the
// recording is.
type Samples struct {
	rateHz     int
	stretchers []stretcher // one a channel, as the next three
	clips      []*clipFinder
	soft       []*softFinder
	drops      []*dropFinder
	repeats    *repeatFinder
	band       *bandMeter
}

// SampleFaults is what a Samples found. Times are seconds from the start. Of each
// kind at most a thousand places are kept.
type SampleFaults struct {
	Clips    []Clip    // in order; those of one kind less than 50 ms apart are one
	DropOuts []DropOut // in order
	Repeats  []Repeat  // in order
	BandHz   float64   // where a narrow-band source's sound ends, 0 if the band is as wide as the rate allows
}

// mostPlaces is how many places of a kind are kept (our choice): a recording with
// more is lost anyhow.
const mostPlaces = 1000

// NewSamples starts to listen.
func NewSamples(rateHz, channels int) *Samples {
	s := &Samples{
		rateHz: rateHz, stretchers: make([]stretcher, channels),
		repeats: newRepeatFinder(rateHz), band: newBandMeter(rateHz),
	}
	for range channels {
		s.clips = append(s.clips, newClipFinder(rateHz))
		s.soft = append(s.soft, newSoftFinder(rateHz))
		s.drops = append(s.drops, newDropFinder(rateHz))
	}
	return s
}

// Add takes the next samples, one slice a channel, all of one length.
func (s *Samples) Add(ch [][]float32) {
	for k, x := range ch {
		s.soft[k].add(x)
		s.drops[k].measure(x)
		s.stretchers[k].each(x, func(part stretch) {
			s.clips[k].add(part)
			s.drops[k].add(part)
		})
	}
	s.repeats.add(ch)
	s.band.add(ch)
}

// Conclude settles what hangs on the whole recording. It is called once, after the
// last samples.
func (s *Samples) Conclude() SampleFaults {
	var clips []place
	var drops []place
	for k := range s.clips {
		flat := s.clips[k].conclude()
		if len(flat) < flatTops { // tops that are flat are round as well
			flat = append(flat, s.soft[k].conclude()...)
		}
		clips = append(clips, flat...)
		drops = append(drops, s.drops[k].conclude()...)
	}
	faults := SampleFaults{BandHz: s.band.conclude()}
	for _, p := range joined(clips, s.rateHz/20) {
		faults.Clips = append(faults.Clips, Clip{
			Kind: p.kind, FromS: s.seconds(p.from), UntilS: s.seconds(p.to), DB: 20 * math.Log10(float64(p.level)),
		})
	}
	for _, p := range joined(drops, 0) {
		faults.DropOuts = append(faults.DropOuts, DropOut{FromS: s.seconds(p.from), UntilS: s.seconds(p.to)})
	}
	for _, r := range s.repeats.conclude() {
		faults.Repeats = append(faults.Repeats, Repeat{
			AtS: s.seconds(r.at), LengthS: s.seconds(int64(r.length)), Times: r.times,
		})
	}
	return faults
}

func (s *Samples) seconds(samples int64) float64 { return float64(samples) / float64(s.rateHz) }
