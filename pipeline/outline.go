package pipeline

import (
	"context"

	"lectern/pipeline/report"
)

// Outline is how a chapter would be put together.
type Outline struct {
	DurationS report.Seconds
	Joins     []report.Join
	Retakes   []report.Retake
}

// Look finds out how the raws of a job would be joined and cut, and makes nothing. Like
// Make it needs job.Dir for scratch files, and leaves nothing there. Its errors are those
// of Make.
func Look(ctx context.Context, job Job) (*Outline, error) {
	raws, err := readAll(ctx, job, shares(job.Progress))
	defer raws.discard()
	if err != nil {
		return nil, err
	}
	spliced, err := splice(job, raws)
	if err != nil {
		return nil, err
	}
	d := job.Settings.Delivery
	m := &Master{job: job, raws: raws, spliced: spliced}
	m.timeline = trim(raws.recs, spliced, d.HeadS, d.TailS, job.Settings.Takes.JoinPauseMaxS)
	return &Outline{inSeconds(m.timeline.frames()), m.joins(), m.retakes()}, nil
}
