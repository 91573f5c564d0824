package pipeline

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"

	"lectern/encode"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// Where a chapter can be heard as it was before. All our choice.
const (
	// beforeFrames is how long the passage is, and leastBeforeFrames how short it may be
	// where the chapter has no longer one of one raw in a row.
	beforeFrames, leastBeforeFrames = 10 * framesPerSecond, 3 * framesPerSecond
	// beforeWordsShare is how much of it must be words.
	beforeWordsShare = 0.6
	// beforePeakDBFS is the highest peak of it, and beforeSpareDB what the first try leaves
	// free under that: the encoder adds less to nearly every reading.
	beforePeakDBFS = -1.0
	beforeSpareDB  = 0.01
	// beforeFadeSamples is how long it takes to come and to go, so that it does not click.
	beforeFadeSamples = frameSamples
)

// passage is a stretch of one raw that is heard in one piece.
type passage struct {
	raw, from int // its first frame in the raw
	at        int // and in the finished sound
	frames    int
}

// passageBefore chooses the passage that is also given as it was before, one that begins
// with a phrase: of those with plenty of words one that can be made as loud as the
// finished file with its peaks where they are, from the middle third of the chapter
// rather, and then the one whose gain is most like that of the whole chapter, so that it
// shows what is usual and not what is best. frames is 0 if there is none.
func passageBefore(t *timeline, plan Plan) passage {
	gain, words := plan.frameGainDB(), t.words()
	usual := columnMeans(1, gain, words)[0]
	var best passage
	var bestRank [5]float64
	segment := 0
	for _, phrase := range t.phrases {
		for plan.Segments[segment].End() <= phrase.From {
			segment++
		}
		s := plan.Segments[segment]
		if s.Tone {
			continue
		}
		p := passage{raw: s.Raw, from: phrase.From - s.At + s.From, at: phrase.From, frames: min(beforeFrames, s.End()-phrase.From)}
		if p.frames < leastBeforeFrames {
			continue
		}
		if rank := p.rank(t, gain, words, usual); best.frames == 0 || higher(rank, bestRank) {
			best, bestRank = p, rank
		}
	}
	return best
}

// rank is how good a passage is, what counts most first.
func (p passage) rank(t *timeline, gain []float64, words []bool, usualDB float64) [5]float64 {
	to := p.at + p.frames
	spoken := 0
	var peak float32
	for k := p.at; k < to; k++ {
		if words[k] {
			spoken++
		}
		peak = max(peak, t.peak[k])
	}
	own := columnMeans(1, gain[p.at:to], words[p.at:to])[0]
	yes := func(is bool) float64 {
		if is {
			return 1
		}
		return 0
	}
	return [5]float64{
		float64(p.frames),
		yes(float64(spoken) >= beforeWordsShare*float64(p.frames)),
		yes(20*math.Log10(float64(peak))+own <= beforePeakDBFS),
		yes(p.at >= t.frames()/3 && to <= 2*t.frames()/3),
		-math.Abs(own - usualDB),
	}
}

// higher compares two ranks.
func higher(a, b [5]float64) bool {
	for i := range a {
		if c := cmp.Compare(a[i], b[i]); c != 0 {
			return c > 0
		}
	}
	return false
}

// passageLoudness measures the loudness of one passage of a sound that streams by.
type passageLoudness struct {
	from, to, done int64
	meter          *meter.Loudness
}

func newPassageLoudness(p passage) *passageLoudness {
	return &passageLoudness{
		from: int64(p.at) * frameSamples, to: int64(p.at+p.frames) * frameSamples,
		meter: meter.NewLoudness(sampleRateHz, 1),
	}
}

// add takes the next samples of the only channel.
func (l *passageLoudness) add(mono [][]float32) {
	block := mono[0]
	from, to := max(l.from-l.done, 0), min(l.to-l.done, int64(len(block)))
	if from < to {
		l.meter.Add([][]float32{block[from:to]})
	}
	l.done += int64(len(block))
}

// makeBefore writes the passage as it was before, unfiltered and unleveled, as loud as
// the same words are in the finished file. Where one of the two is silent there is none.
func (m *Master) makeBefore(ctx context.Context) error {
	p := m.passage
	if p.frames == 0 {
		return nil
	}
	x, err := readPassage(ctx, m.job.Raws[p.raw].Path, m.raws.surveys[p.raw], int64(p.from)*frameSamples, p.frames*frameSamples)
	if err != nil {
		return fmt.Errorf("%s: %w", m.job.Raws[p.raw].Name, err)
	}
	loud := meter.NewLoudness(sampleRateHz, 1)
	loud.Add([][]float32{x})
	was := loud.IntegratedLUFS()
	if was.IsSilent() || m.passageLUFS.IsSilent() {
		return nil
	}
	fadeEnds(x, beforeFadeSamples)
	wanted := float64(m.passageLUFS - was)
	heard := meter.NewPeak()
	heard.Add(x)
	gain := min(wanted, beforePeakDBFS-beforeSpareDB-float64(heard.DBFS()))
	path := filepath.Join(m.job.Dir, "before.mp3")
	for range mostTries {
		written, peak, err := m.writeBefore(ctx, path, x, gain)
		if err != nil {
			return err
		}
		over := float64(peak) - beforePeakDBFS
		if over <= 0 {
			m.beforePath = path
			m.before = &report.Before{
				Raw: p.raw, FromS: inSeconds(p.from), FinishedAtS: inSeconds(p.at), DurationS: inSeconds(p.frames),
				GainDB: report.Figure(gain), SofterDB: report.Figure(wanted - gain), SHA256: written.SHA256, Bytes: written.Bytes,
			}
			return nil
		}
		gain -= over + peakHairDB
		if err := os.Remove(path); err != nil {
			return fmt.Errorf("remove a try: %w", err)
		}
	}
	return nil
}

// writeBefore writes x with a gain and proves it; peak is that of the decoded file.
func (m *Master) writeBefore(ctx context.Context, path string, x []float32, gainDB float64) (w encode.Written, peak meter.DB, err error) {
	opt := encode.Options{
		BitrateKbps: m.job.Settings.Delivery.BitrateKbps,
		DitherSeed:  seedOf(m.raws.surveys[m.passage.raw].sha256, "before"),
		Workers:     m.job.Workers,
	}
	if w, err = encode.Write(ctx, path, amplified(x, gainDB), opt); err != nil {
		return w, 0, fmt.Errorf("encode the passage before: %w", err)
	}
	heard := meter.NewPeak()
	_, err = encode.Prove(ctx, path, w, opt, amplified(x, gainDB), func(block []float32) error {
		heard.Add(block)
		return nil
	})
	if err != nil {
		return w, 0, errors.Join(fmt.Errorf("prove the passage before: %w", err), os.Remove(path))
	}
	return w, heard.DBFS(), nil
}

// amplified is x with a gain, as a source.
func amplified(x []float32, gainDB float64) encode.Source {
	g := float32(dbToAmplitude(gainDB))
	return func(dst []float32) (int, error) {
		if len(x) == 0 {
			return 0, io.EOF
		}
		n := min(len(dst), len(x))
		for i := range n {
			dst[i] = g * x[i]
		}
		x = x[n:]
		return n, nil
	}
}

// fadeEnds lets the first and the last n samples come and go in a straight line.
func fadeEnds(x []float32, n int) {
	for i := range min(n, len(x)/2) {
		share := (float32(i) + 0.5) / float32(n)
		x[i] *= share
		x[len(x)-1-i] *= share
	}
}

// readPassage reads n samples of a surveyed raw from one on, counted at 44.1 kHz, as they
// were recorded: mixed to mono and converted, and nothing else. It begins a whole second
// or two before them, where a sample of the raw and one of 44.1 kHz fall together.
func readPassage(ctx context.Context, path string, s *survey, from int64, n int) ([]float32, error) {
	f, info, err := openRaw(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info.Frames != s.info.Frames {
		return nil, ErrChanged
	}
	second := max(0, from/sampleRateHz-1)
	skip := from - second*sampleRateHz
	begin := second * int64(info.SampleRateHz)
	info.DataOffset += begin * int64(info.BlockBytes)
	// One second more than is needed, so that the converter hears what comes behind.
	needed := (skip+int64(n))*int64(info.SampleRateHz)/sampleRateHz + int64(info.SampleRateHz)
	info.Frames = min(info.Frames-begin, needed)
	out := make([]float32, 0, n)
	mix := func(mono []float32, ch [][]float32) error {
		s.channel.mix(mono, ch, s.offset)
		return nil
	}
	if err := hear(ctx, f, info, 0, mix, func(recorded, _ []float32) error {
		drop := min(skip, int64(len(recorded)))
		skip -= drop
		recorded = recorded[drop:]
		out = append(out, recorded[:min(len(recorded), n-len(out))]...)
		return nil
	}); err != nil {
		return nil, err
	}
	return append(out, make([]float32, n-len(out))...), nil
}
