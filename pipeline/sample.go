package pipeline

import (
	"math"
	"slices"

	"lectern/pipeline/report"
	"lectern/pipeline/speech"
	"lectern/pipeline/takes"
)

// Span is a stretch of a finished chapter in seconds from its start; -1 where it is not
// told.
type Span struct{ FromS, ToS float64 }

// SampleOf names the chapter that a sample is a stretch of.
type SampleOf struct {
	Chapter  string
	Revision int
}

const (
	// shortestSample and longestSample are what a sample may last, the client's figures of
	// one and of five minutes; usualSample is what it lasts where no end is wished for (our
	// choice).
	shortestSample, longestSample = 60 * framesPerSecond, 300 * framesPerSecond
	usualSample                   = 180 * framesPerSecond
	// sentenceWorth is how much farther from the wish a cut may be to fall where a sentence
	// ends and not within it; startCounts how much more the start weighs than the end (our
	// choice).
	sentenceWorth = 5 * framesPerSecond
	startCounts   = 2
	// sentenceShare of the pauses of a chapter, the longest, are taken for ends of
	// sentences (our choice).
	sentenceShare = 1.0 / 4
)

// excerpt is what a sample leaves of a chapter.
type excerpt struct {
	*takes.Spliced
	told report.SampleOf
	// retakes are the numbers that the retakes left have in the chapter.
	retakes []int
}

// excerptOf cuts the sample out of a chapter that has been put together: at the pauses
// nearest the wish.
func excerptOf(job Job, recs []*recording, spliced *takes.Spliced) (*excerpt, error) {
	d, joinPauseMaxS := job.Settings.Delivery, job.Settings.Takes.JoinPauseMaxS
	whole := trim(recs, spliced, d.HeadS, d.TailS, joinPauseMaxS)
	if whole.frames() < shortestSample {
		return nil, &RawError{report.SaysTooShortForSample(float64(whole.frames()) / framesPerSecond)}
	}
	first, last, ok := chooseSample(whole, *job.Sample)
	if !ok {
		return nil, &RawError{report.NoPausesForSample}
	}
	from, to := whole.phrases[first].From, whole.phrases[last].To
	out := excerpt{
		Spliced: &takes.Spliced{GainDB: spliced.GainDB},
		told: report.SampleOf{
			Chapter: job.SampleOf.Chapter, Revision: job.SampleOf.Revision,
			FromS: report.Seconds(job.Sample.FromS), ToS: report.Seconds(job.Sample.ToS),
			BeginsS: inSeconds(from), EndsS: inSeconds(to),
		},
	}
	out.take(spliced, whole.starts, from, to, usualPause(recs, spliced.Stretches, joinPauseMaxS))
	return &out, nil
}

// take keeps what is heard between two frames of the chapter. starts are where its
// stretches begin there, usual its usual pause, which the joins keep.
func (e *excerpt) take(whole *takes.Spliced, starts []int, from, to, usual int) {
	stretchAt := func(frame int) int {
		k, found := slices.BinarySearch(starts, frame)
		if !found {
			k--
		}
		return k
	}
	begin, end := stretchAt(from), stretchAt(to-1)
	e.Stretches = slices.Clone(whole.Stretches[begin : end+1])
	for i := range e.Stretches {
		if e.Stretches[i].Pause == takes.AsUsual {
			e.Stretches[i].Pause = usual
		}
	}
	e.Stretches[end-begin].To = whole.Stretches[end].From + to - starts[end]
	e.Stretches[0].From += from - starts[begin]
	for _, j := range whole.Joins {
		if j.Stretch > begin && j.Stretch <= end {
			j.Stretch -= begin
			e.Joins = append(e.Joins, j)
		}
	}
	heard := func(raw, frame int) bool {
		return slices.ContainsFunc(e.Stretches, func(s takes.Stretch) bool { return s.Raw == raw && s.From <= frame && frame < s.To })
	}
	for i, r := range whole.Retakes {
		both := r.State == takes.Asked || r.State == takes.Kept
		if heard(r.Raw, r.Again.From) && (!both || heard(r.Raw, r.First.From)) {
			e.Retakes, e.retakes = append(e.Retakes, r), append(e.retakes, i+1)
		}
	}
	for _, m := range whole.LoneMarks {
		if heard(m.Raw, m.From) {
			e.LoneMarks = append(e.LoneMarks, m)
		}
	}
}

// chooseSample finds the first and the last phrase of the sample. ok is false if no two
// pauses lie as far apart as a sample is long.
func chooseSample(t *timeline, wish Span) (first, last int, ok bool) {
	from, to := wish.frames(t.frames())
	end := len(t.phrases)
	sentence := sentencePause(t.pauses)
	starts, ends := make([]float64, end), make([]float64, end)
	for i := range end {
		starts[i] = startCounts * cutCost(t.pauses[i], i == 0, from, sentence)
		ends[i] = cutCost(t.pauses[i+1], i+1 == end, to, sentence)
	}
	around := t.pauses[0].Len() + t.pauses[end].Len()
	best := math.Inf(1)
	for i := range starts {
		for j := i; j < end; j++ {
			n := around + t.phrases[j].To - t.phrases[i].From
			if n > longestSample {
				break
			}
			if cost := starts[i] + ends[j]; n >= shortestSample && cost < best {
				first, last, best = i, j, cost
			}
		}
	}
	return first, last, !math.IsInf(best, 1)
}

// frames is the wish in a chapter of n frames, with what it leaves open filled in: from
// the start, for three minutes.
func (s Span) frames(n int) (from, to int) {
	inside := func(s float64) int { return int(math.Round(min(max(s, 0)*framesPerSecond, float64(n)))) }
	from, to = inside(s.FromS), inside(s.ToS)
	switch {
	case s.ToS < 0 || s.FromS >= 0 && to <= from:
		to = from + usualSample
	case s.FromS < 0 && to > longestSample:
		from = to - usualSample
	}
	return from, to
}

// sentencePause is how long a pause must be to count as the end of a sentence.
func sentencePause(pauses []speech.Span) int {
	var lengths []int
	for _, p := range pauses[1 : len(pauses)-1] {
		lengths = append(lengths, p.Len())
	}
	if len(lengths) == 0 {
		return speech.PhraseGap
	}
	slices.Sort(lengths)
	return max(speech.PhraseGap, lengths[int((1-sentenceShare)*float64(len(lengths)))])
}

// cutCost is how little a pause is liked for a cut that is wished for at a frame, in
// frames: how far off it is, and something if no sentence ends there. An edge is the
// chapter's start or end. Two stretches may meet with hardly a pause: no cut is made there.
func cutCost(pause speech.Span, edge bool, wish, sentence int) float64 {
	off := float64(max(0, pause.From-wish, wish-pause.To))
	switch {
	case edge:
		return off
	case pause.Len() < speech.PhraseGap:
		return math.Inf(1)
	}
	return off + sentenceWorth*(1-min(1, float64(pause.Len())/float64(sentence)))
}
