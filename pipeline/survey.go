package pipeline

import (
	"context"
	"math"

	"lectern/pipeline/findings"
	"lectern/pipeline/report"
	"lectern/pipeline/wav"
)

// survey is what one pass over a raw tells, at its own rate.
type survey struct {
	info    wav.Info
	sha256  string
	channel channelChoice
	offset  float64         // constant offset of the chosen channel, full scale 1
	odd     int64           // samples that were no numbers
	choose  *channelChooser // until conclude, as the next
	samples *findings.Samples
	faults  findings.SampleFaults
	// measured are the figures that need nothing but samples.
	measured report.Measured
}

func newSurvey(info wav.Info) *survey {
	return &survey{
		info:    info,
		choose:  newChannelChooser(info.Channels, info.SampleRateHz),
		samples: findings.NewSamples(info.SampleRateHz, info.Channels),
	}
}

// uses look at the samples.
func (s *survey) uses() []use { return []use{hearing(s.choose.add), hearing(s.samples.Add)} }

// conclude settles what hangs on the whole recording, and keeps nothing else: a survey lives
// as long as its job.
func (s *survey) conclude() {
	s.channel, s.offset = s.choose.choice()
	s.faults = s.samples.Conclude()
	s.choose, s.samples = nil, nil
}

// surveyRaw reads a raw once and measures it as it is.
func surveyRaw(ctx context.Context, path string, workers int, progress func(share float64)) (*survey, error) {
	f, info, err := openRaw(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	s, meters, sum := newSurvey(info), newLevels(info.SampleRateHz, info.Channels), newSummer(f)
	var done int64
	err = aside(workers, func(add use) error {
		s.odd, err = readRaw(ctx, sum, info, func(ch [][]float32) error {
			done += int64(len(ch[0]))
			progress(float64(done) / float64(info.Frames))
			return add(ch)
		})
		return err
	}, append(s.uses(), hearing(meters.add))...)
	if err != nil {
		return nil, err
	}
	if s.sha256, err = sum.sum(ctx); err != nil {
		return nil, err
	}
	s.conclude()
	meters.fill(&s.measured)
	return s, nil
}

// tellOffset is the offset worth telling: 0.1 % of full scale, -60 dBFS (our choice).
const tellOffset = 0.001

// findings are what the raw itself shows, before anything is done to it.
// finishedAt tells where a time of the raw is in the finished file, nil if it was
// cut away: the sentences name places a person can listen to.
func (s *survey) findings(finishedAt func(atS float64) *report.Seconds) []report.Finding {
	out := []report.Finding{}
	whole := func(kind, says string) {
		out = append(out, report.Finding{
			Kind: kind, UntilS: report.Seconds(s.info.DurationS()), FinishedAtS: finishedAt(0), Says: says,
		})
	}
	if says := s.channel.says(); says != "" {
		whole(s.channel.kind(), says)
	}
	if math.Abs(s.offset) > tellOffset {
		whole("dc_offset", report.SaysOffset(100*s.offset))
	}
	if s.info.Unfinalized {
		whole("unfinished", report.SaysUnfinished())
	}
	if missing := s.info.MissingBytes(); missing > 0 {
		there := float64(s.info.Frames) * float64(s.info.BlockBytes)
		whole("truncated", report.SaysTruncated(100*there/(there+float64(missing))))
	}
	if s.odd > 0 {
		whole("not_a_number", report.SaysNonFinite(s.odd))
	}
	return append(out, tellSampleFaults(s.faults, s.info.DurationS(), finishedAt)...)
}
