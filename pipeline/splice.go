package pipeline

import (
	"errors"
	"fmt"
	"slices"

	"lectern/pipeline/report"
	"lectern/pipeline/takes"
)

// splice puts the takes, parts and pickups of a chapter together by their words: which
// stretches of the raws are heard, in which order, how loud each raw is made, and what a
// person must be asked.
func splice(job Job, raws *rawSet) (*takes.Spliced, error) {
	var sources []takes.Source
	for i, raw := range job.Raws {
		sources = append(sources, takes.Source{
			Role: raw.Role, Number: raw.Number, SHA256: raws.surveys[i].sha256,
			Voice: raws.recs[i].voice, Marks: raws.recs[i].marks, NearS: raw.AtS,
		})
	}
	if !slices.ContainsFunc(job.Raws, func(r Raw) bool { return r.Role != takes.Pickup }) {
		return nil, fmt.Errorf("%s: %w", job.Raws[0].Name, &RawError{report.PickupAlone})
	}
	spliced, err := takes.Splice(sources, job.Answers, job.Workers)
	var place *takes.PlaceError
	if errors.As(err, &place) {
		says := report.SaysNoPlace(job.Raws[place.Source].Number, place.Reason, float64(inSeconds(place.Passage.From)), float64(inSeconds(place.Passage.To)))
		return nil, fmt.Errorf("%s: %w", job.Raws[place.Source].Name, &RawError{says})
	}
	if err != nil {
		return nil, fmt.Errorf("splice: %w", err)
	}
	return spliced, nil
}
