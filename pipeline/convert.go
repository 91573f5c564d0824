package pipeline

import (
	"context"
	"slices"

	"lectern/pipeline/findings"
	"lectern/pipeline/resample"
	"lectern/pipeline/speech"
	"lectern/pipeline/takes"
)

// convert reads a raw once more, mixes it to mono, takes its offset away,
// converts it to 44.1 kHz, filters the rumble out and fills the scratch file; the
// map of its words and what they sound like come with it, and what is told of the raw: its
// room is judged as it was recorded, by the power of each frame before the filter.
func convert(ctx context.Context, path string, s *survey, workers int, rumbleHz float64, aim findings.Aim, scratchPath string,
	progress func(share float64)) (rec *recording, err error) {
	out, err := createScratch(scratchPath)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			out.discard()
		}
	}()
	analyzer, voice, marks := speech.NewAnalyzer(), takes.NewAnalyzer(), takes.NewMarkListener()
	cepstra, err := createTemporary(scratchPath + ".cepstra")
	if err != nil {
		return nil, err
	}
	defer discard(cepstra)
	voice.KeepIn(cepstra)
	listener := findings.NewListener()
	unfiltered, recorded := framePower{}, silences{addedBack: float32(s.offset)}
	samples := resample.FramesOut(s.info.Frames, s.info.SampleRateHz)
	analyzer.Expect(samples)
	unfiltered.expect(samples)
	// Two streams side by side: as it was recorded, and clean.
	if err = aside(workers, func(add use) error {
		both := make([][]float32, 2)
		return hearSurveyed(ctx, path, s, rumbleHz, progress, func(block, clean []float32) error {
			both[0], both[1] = block, clean
			return add(both)
		})
	}, hearing(func(both [][]float32) {
		unfiltered.add(both[0])
		recorded.add(both[0])
		listener.Add(both[0])
	}), hearing(func(both [][]float32) {
		analyzer.Add(both[1])
	}), func(both [][]float32) error {
		voice.Add(both[1])
		marks.Add(both[1])
		return out.write(both[1])
	}); err != nil {
		return nil, err
	}
	sc, err := out.seal()
	if err != nil {
		return nil, err
	}
	rec = &recording{scratch: sc, m: speech.Draw(analyzer.Features())}
	rec.marks = marks.Marks(rec.m)
	var claps []speech.Span
	for _, mark := range rec.marks {
		claps = append(claps, mark.Sounds)
	}
	rec.m = rec.m.Without(claps)
	rec.faults = listener.Conclude(rec.m, aim, silentVoiceDBFS)
	power := unfiltered.frames(rec.m.Features.Len())
	rec.silent = recorded.frames(len(power))
	for i, silent := range rec.silent {
		if silent {
			power[i] = 0
		}
	}
	rec.measured = s.measured
	fillFromMap(&rec.measured, rec.m, power, nil)
	fillColors(&rec.measured, rec.faults)
	for _, p := range rec.m.Pauses {
		n := float64(p.Len())
		rec.pauses = append(rec.pauses, pausePower{meanPower(power, p) * n, meanPower(rec.m.Features.Power, p) * n})
	}
	// Last, when nothing else that is long is held any more.
	if rec.voice, err = voice.Voice(rec.m); err != nil {
		return nil, err
	}
	return rec, nil
}

// framePower collects the mean square of frames of 10 ms.
type framePower struct {
	power []float32
	sum   float64
	n     int
}

// expect makes room for a stream of so many samples.
func (p *framePower) expect(samples int64) {
	p.power = slices.Grow(p.power, int(samples/frameSamples)+1)
}

func (p *framePower) add(block []float32) { p.addShifted(block, 0) }

// addShifted adds the block with a constant added to each sample.
func (p *framePower) addShifted(block []float32, by float32) {
	for len(block) > 0 {
		n := min(len(block), frameSamples-p.n)
		sum := p.sum
		for _, x := range block[:n] {
			x += by
			sum += float64(x) * float64(x)
		}
		p.sum, block = sum, block[n:]
		if p.n += n; p.n == frameSamples {
			p.power = append(p.power, float32(p.sum/frameSamples))
			p.sum, p.n = 0, 0
		}
	}
}

// frames returns the frames collected, cut or filled up to n.
func (p *framePower) frames(n int) []float32 {
	if len(p.power) < n {
		p.power = append(p.power, float32(p.sum/frameSamples))
	}
	return p.power[:n]
}

// silences finds the frames in which the recorder wrote nothing, in a stream of which the
// offset was taken away: that leaves a constant there.
type silences struct {
	addedBack float32
	power     framePower // of the last frames
	silent    []bool
}

func (s *silences) add(block []float32) {
	s.power.addShifted(block, s.addedBack)
	s.silent = append(s.silent, digitalSilence(s.power.power)...)
	s.power.power = s.power.power[:0]
}

// frames returns the frames found, cut or filled up to n.
func (s *silences) frames(n int) []bool {
	if len(s.silent) < n {
		s.silent = append(s.silent, digitalSilence(s.power.frames(n-len(s.silent)))...)
	}
	return s.silent[:n]
}

// silentPower is what counts as digital silence: -120 dBFS, under the noise of any
// converter, so that a trace of the rate conversion's ringing does not hide it.
const silentPower = 1e-12

// digitalSilence marks the frames that hold nothing at all.
func digitalSilence(power []float32) []bool {
	out := make([]bool, len(power))
	for i, p := range power {
		out[i] = p < silentPower
	}
	return out
}
