package pipeline

import (
	"fmt"

	"lectern/pipeline/speech"
	"lectern/pipeline/takes"
)

// splice puts the takes, parts and pickups of a chapter together by their words: which
// stretches of the raws are heard, in which order, how loud each raw is made, and what a
// person must be asked.
func splice(job Job, raws *rawSet) (*takes.Spliced, error) {
	var sources []takes.Source
	for i, raw := range job.Raws {
		if raw.Role == takes.Pickup {
			return nil, fmt.Errorf("%s: %w", raw.Name, &RawError{CannotPlace})
		}
		near := -1.0
		if raw.NearS > 0 {
			near = raw.NearS
		}
		rec := raws.recs[i]
		sources = append(sources, takes.Source{
			Role: raw.Role, Number: raw.Number, SHA256: raws.surveys[i].sha256, Voice: rec.voice, Marks: rec.marks, NearS: near,
		})
	}
	return endToEnd(sources, raws.recs), nil
}

// endToEnd lays the raws one behind the other, each from its first word to its last.
func endToEnd(sources []takes.Source, recs []*recording) *takes.Spliced {
	s := &takes.Spliced{GainDB: make([]float64, len(recs))}
	for i, r := range recs {
		words := speech.Span{From: r.m.Phrases[0].From, To: r.m.Phrases[len(r.m.Phrases)-1].To}
		s.Stretches = append(s.Stretches, takes.Stretch{Raw: i, Span: words, Pause: takes.AsUsual})
		if i > 0 {
			kind := takes.Apart
			if sources[i].Role == takes.Part {
				kind = takes.GoesOn
			}
			s.Joins = append(s.Joins, takes.Join{Stretch: i, Kind: kind})
		}
	}
	return s
}
