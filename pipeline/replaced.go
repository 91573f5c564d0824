package pipeline

import (
	"context"
	"errors"

	"lectern/config"
	"lectern/pipeline/report"
	"lectern/pipeline/resample"
	"lectern/pipeline/speech"
	"lectern/pipeline/takes"
)

// replacedS is how much of the beginning of a replaced raw is listened to, in seconds: a
// chapter that is read again says the same in its first ten minutes. Our choice.
const replacedS = 600

// saysTheSame returns a *RawError if a recording that would replace the one at path has no
// words in common with it: a wrong name, most likely. What cannot be read any more is no
// hindrance.
func saysTheSame(ctx context.Context, rec *recording, path string, level config.Level) error {
	before, err := hearBeginning(ctx, path, level.RumbleHz)
	var bad *RawError
	if errors.As(err, &bad) {
		return nil
	}
	if err != nil {
		return err
	}
	if !takes.HaveWordsInCommon(rec.voice, before) {
		return &RawError{report.NothingInCommon}
	}
	return nil
}

// errEnough ends the reading of a raw.
var errEnough = errors.New("enough was heard")

// hearBeginning listens to the beginning of a raw.
func hearBeginning(ctx context.Context, path string, rumbleHz float64) (*takes.Voice, error) {
	f, info, err := openRaw(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	filter := newRumbleFilter(rumbleHz)
	words, voice := speech.NewAnalyzer(), takes.NewAnalyzer()
	emit := func(block []float32) error {
		filter.apply(block)
		words.Add(block)
		voice.Add(block)
		return nil
	}
	converter := resample.New(info.SampleRateHz)
	mono := make([]float32, blockSamples)
	done := 0
	_, err = readRaw(ctx, f, info, func(ch [][]float32) error {
		n := len(ch[0])
		for i := range n {
			mono[i] = 0
			for _, c := range ch {
				mono[i] += c[i] / float32(len(ch))
			}
		}
		if done += n; done > replacedS*info.SampleRateHz {
			return errEnough
		}
		return converter.Write(mono[:n], emit)
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, err
	}
	if err := converter.Close(emit); err != nil {
		return nil, err
	}
	return voice.Voice(speech.Draw(words.Features())), nil
}
