package main

import (
	"context"
	"os"

	"lectern/config"
	"lectern/pipeline"
	"lectern/pipeline/report"
	"lectern/pipeline/takes"
)

// planOne tells how the recordings of one chapter would be put together, and makes
// nothing; it returns what to end with.
func planOne(ctx context.Context, p piece, settings config.Chapter, show *show) int {
	if p.raws[0].Role == takes.RoomTest {
		show.line("%s: a room test would be measured; there is nothing to join", p.chapter)
		return 0
	}
	tmp, err := workBeside(p.dir, nil, true)
	if err != nil {
		return notMade(ctx, p, err, show)
	}
	defer os.RemoveAll(tmp)
	bar := show.bar(p.chapter)
	o, err := pipeline.Look(ctx, pipeline.Job{
		Chapter: p.chapter, Dir: tmp, Raws: p.raws, Settings: settings, Progress: bar.set,
	})
	bar.end()
	if err != nil {
		return notMade(ctx, p, err, show)
	}
	show.line("%s: would last %s. Nothing was made.", p.chapter, report.Clock(float64(o.DurationS)))
	code := 0
	for _, j := range o.Joins {
		show.line("  - %s", j.Says)
		if j.Kind == takes.Apart {
			code = exitAttention
		}
	}
	for _, r := range o.Retakes {
		show.line("  - %s", r.Says)
		if r.State == takes.Asked {
			code = exitAttention
		}
	}
	if len(o.Joins)+len(o.Retakes) == 0 {
		show.line("  - Nothing would be joined or cut.")
	}
	return code
}
