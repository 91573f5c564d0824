package pipeline

import (
	"context"
	"errors"
	"fmt"
	"os"
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
const Chain = 8

// Job is one chapter to make.
type Job struct {
	Book, Chapter string
	// Tags are the words written into the MP3; function Tags tells what is filled in.
	Tags encode.Tags
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
	// Sample asks for a sample instead of the whole chapter, and is the wish where it lies;
	// nil if the chapter is to be made. SampleOf then names the chapter that the raws are of.
	Sample   *Span
	SampleOf SampleOf
	// Progress is called with the share done, 0 to 1. It may be nil.
	Progress func(share float64)
	// Workers is on how many cores to work at once; 0 is as many as there are. It changes
	// nothing in what is made.
	Workers int
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
// in job.Dir is flushed to disk and proved; beside it there is only what Before names. A
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
	raws.forgetVoices()
	m, err := master(ctx, job, raws, spliced, progress)
	if err != nil {
		return nil, err
	}
	m.tell(time.Since(started))
	return m, nil
}

// master makes the chapter of its raws, once it is known which parts of them are heard,
// or the sample of it.
func master(ctx context.Context, job Job, raws *rawSet, spliced *takes.Spliced, progress *progress) (_ *Master, err error) {
	d := job.Settings.Delivery
	m := &Master{job: job, raws: raws, spliced: spliced}
	if job.Sample != nil {
		if m.excerpt, err = excerptOf(job, raws.recs, spliced); err != nil {
			return nil, err
		}
		m.spliced = m.excerpt.Spliced
	}
	t := trim(raws.recs, m.spliced, d.HeadS, d.TailS, job.Settings.Takes.JoinPauseMaxS)
	raws.forgetFrames()
	l := level(t, job.Settings.Level)
	weighted, err := weigh(t, raws.recs, d)
	if err != nil {
		return nil, fmt.Errorf("weigh loudness: %w", err)
	}
	m.timeline, m.leveling, m.loudness = t, l, normalize(t, l, weighted, d, job.Settings.Level)
	plan := m.loudness.plan(t, l)
	m.passage = passageBefore(t, plan)
	t.power, t.peak, t.voiced = nil, nil, nil // all is planned: 3 MB an hour less
	if err := m.encode(ctx, plan, progress); err != nil {
		return nil, err
	}
	if err := m.makeBefore(ctx); err != nil {
		return nil, errors.Join(err, os.Remove(m.MP3))
	}
	return m, nil
}

// rawSet is all raws of a chapter, read.
type rawSet struct {
	surveys []*survey
	recs    []*recording
}

func (r *rawSet) discard() {
	for _, rec := range r.recs {
		rec.scratch.discard()
	}
}

// forgetVoices and forgetFrames let go what the steps to come do not look at, 9 and 7 MB an
// hour: while the finished file is measured, as much again is needed.
func (r *rawSet) forgetVoices() {
	for _, rec := range r.recs {
		rec.voice = nil
	}
}

func (r *rawSet) forgetFrames() {
	for _, rec := range r.recs {
		rec.m.Features, rec.silent = nil, nil
	}
}

// readAll surveys and converts each raw.
func readAll(ctx context.Context, job Job, progress *progress) (*rawSet, error) {
	set := &rawSet{}
	for i, raw := range job.Raws {
		part := 1 / float64(len(job.Raws))
		s, err := surveyRaw(ctx, raw.Path, job.Workers, progress.step(float64(i)*part*shareRead, part*shareRead/2))
		if err != nil {
			return set, fmt.Errorf("%s: %w", raw.Name, err)
		}
		rec, err := convert(ctx, raw.Path, s, job.Workers, job.Settings.Level.RumbleHz, aimOf(job.Settings.Delivery),
			filepath.Join(job.Dir, fmt.Sprintf("scratch-%d.f32", i+1)),
			progress.step((float64(i)+0.5)*part*shareRead, part*shareRead/2))
		if err != nil {
			return set, fmt.Errorf("%s: %w", raw.Name, err)
		}
		rec.role = raw.Role
		set.surveys, set.recs = append(set.surveys, s), append(set.recs, rec)
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
	curves       *report.Curves
	// passage is what is given as it was before too, as loud as passageLUFS.
	passage     passage
	passageLUFS meter.DB
	beforePath  string
	before      *report.Before
	excerpt     *excerpt // nil if this is no sample
	report      report.Report
}

// Before is the path, in job.Dir, of ten seconds as they were before, flushed to disk like
// the MP3; "" if there are none.
func (m *Master) Before() string { return m.beforePath }

// BeforeSHA256 is the sum of that file, "" if there is none.
func (m *Master) BeforeSHA256() string {
	if m.report.Before == nil {
		return ""
	}
	return m.report.Before.SHA256
}

// RawSHA256 returns the sum of each raw, in the order of the job.
func (m *Master) RawSHA256() []string {
	var out []string
	for _, s := range m.raws.surveys {
		out = append(out, s.sha256)
	}
	return out
}
