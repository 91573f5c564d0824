package pipeline

import (
	"context"
	"fmt"
	"path/filepath"
	"time"

	"lectern/config"
	"lectern/encode"
	"lectern/pipeline/findings"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
	"lectern/pipeline/takes"
)

// Chain is the number of the chain. It is raised whenever a finished sample can
// change, so that a chapter made by another chain is known.
const Chain = 5

// Job is one chapter to make.
type Job struct {
	Book, Chapter string
	Track         string // number in the book, for the tag; may be empty
	// Dir is an existing folder for the scratch files and the MP3.
	Dir  string
	Raws []Raw // in playing order
	// Answers are what people said of passages read twice. They may be of other raws too.
	Answers  []takes.Answer
	Settings config.Chapter
	Version  string
	// Replaced is the path of the recording whose place the first of Raws takes; "" if
	// there is none, or if nothing finished stands for it any more.
	Replaced string
	// Progress is called with the share done, 0 to 1. It may be nil.
	Progress func(share float64)
}

// Raw is one raw recording of a chapter.
type Raw struct {
	Path, Name, Role string
	Number           int
	// AtS is, of a pickup, where it belongs in the chapter as it was before, in seconds,
	// if its name says so; -1 if not.
	AtS float64
}

// noSpeech is said of a raw in which nothing stands out as words.
const noSpeech = "No speech was found in this recording. Listen to it: if it is the wrong file, drop the right one; if it is very soft or very noisy, record it again closer to the microphone."

// Make masters one chapter: every step of the chain, in order. The MP3 it leaves
// in job.Dir is flushed to disk and proved; nothing else is left there. A
// *RawError is the raw's fault; other errors may pass on a second try.
func Make(ctx context.Context, job Job) (*Master, error) {
	started := time.Now()
	progress := shares(job.Progress)
	raws, err := readAll(ctx, job, progress)
	defer raws.discard()
	if err != nil {
		return nil, err
	}
	if job.Replaced != "" {
		if err := saysTheSame(ctx, raws.recs[0], job.Replaced, job.Settings.Level); err != nil {
			return nil, fmt.Errorf("%s: %w", job.Raws[0].Name, err)
		}
	}
	spliced, err := splice(job, raws)
	if err != nil {
		return nil, err
	}
	m, err := master(ctx, job, raws, spliced, progress)
	if err != nil {
		return nil, err
	}
	m.tell(time.Since(started))
	return m, nil
}

// master makes the chapter of its raws, once it is known which parts of them are heard.
func master(ctx context.Context, job Job, raws *rawSet, spliced *takes.Spliced, progress *progress) (*Master, error) {
	d := job.Settings.Delivery
	t := trim(raws.recs, spliced, d.HeadS, d.TailS, job.Settings.Takes.JoinPauseMaxS)
	l := level(t, job.Settings.Level)
	weighted, err := weigh(t, raws.recs, d)
	if err != nil {
		return nil, fmt.Errorf("weigh loudness: %w", err)
	}
	loud := normalize(t, l, weighted, d, job.Settings.Level)
	m := &Master{job: job, raws: raws, spliced: spliced, timeline: t, leveling: l, loudness: loud}
	if err := m.encode(ctx, loud.plan(t, l), progress); err != nil {
		return nil, err
	}
	return m, nil
}

// rawSet is all raws of a chapter, read.
type rawSet struct {
	surveys []*survey
	recs    []*recording
	// power is, for each raw, the power of its frames before the rumble filter.
	power [][]float32
}

func (r *rawSet) discard() {
	for _, rec := range r.recs {
		rec.scratch.discard()
	}
}

// readAll surveys and converts each raw.
func readAll(ctx context.Context, job Job, progress *progress) (*rawSet, error) {
	set := &rawSet{}
	for i, raw := range job.Raws {
		part := 1 / float64(len(job.Raws))
		s, err := surveyRaw(ctx, raw.Path, progress.step(float64(i)*part*shareRead, part*shareRead/2))
		if err != nil {
			return set, fmt.Errorf("%s: %w", raw.Name, err)
		}
		rec, power, err := convert(ctx, raw.Path, s, job.Settings.Level.RumbleHz, aimOf(job.Settings.Delivery),
			filepath.Join(job.Dir, fmt.Sprintf("scratch-%d.f32", i+1)),
			progress.step((float64(i)+0.5)*part*shareRead, part*shareRead/2))
		if err != nil {
			return set, fmt.Errorf("%s: %w", raw.Name, err)
		}
		rec.role = raw.Role
		set.surveys, set.recs, set.power = append(set.surveys, s), append(set.recs, rec), append(set.power, power)
		if len(rec.m.Phrases) == 0 {
			return set, fmt.Errorf("%s: %w", raw.Name, &RawError{noSpeech})
		}
		if rec.room, err = newRoomTone(rec, seedOf(s.sha256, "room tone")); err != nil {
			return set, fmt.Errorf("%s: learn its room tone: %w", raw.Name, err)
		}
	}
	return set, nil
}

// Master is a chapter that has been made and proved.
type Master struct {
	MP3     string
	Written encode.Written

	job      Job
	raws     *rawSet
	spliced  *takes.Spliced
	timeline *timeline
	leveling *leveling
	loudness loudness
	plan     Plan
	tries    int
	limitDB  float64 // deepest gain of the limiter
	proof    encode.Proof
	measured report.Measured
	// faults and sampleFaults are those of the decoded file.
	faults       findings.Faults
	sampleFaults findings.SampleFaults
	bodyRMS      meter.DB // of the decoded file, between the plan's first and last word
	report       report.Report
}

// RawSHA256 returns the sum of each raw, in the order of the job.
func (m *Master) RawSHA256() []string {
	var out []string
	for _, s := range m.raws.surveys {
		out = append(out, s.sha256)
	}
	return out
}
