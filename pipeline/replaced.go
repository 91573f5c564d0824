package pipeline

import (
	"context"
	"errors"

	"lectern/config"
	"lectern/pipeline/report"
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

// hearBeginning listens to the beginning of a raw. Its channels are averaged: where they
// cancel each other nothing is heard, and that is no hindrance.
func hearBeginning(ctx context.Context, path string, rumbleHz float64) (*takes.Voice, error) {
	f, info, err := openRaw(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	words, voice := speech.NewAnalyzer(), takes.NewAnalyzer()
	done := 0
	mix := func(mono []float32, ch [][]float32) error {
		if done += len(mono); done > replacedS*info.SampleRateHz {
			return errEnough
		}
		for i := range mono {
			mono[i] = 0
			for _, c := range ch {
				mono[i] += c[i] / float32(len(ch))
			}
		}
		return nil
	}
	if err := hear(ctx, f, info, rumbleHz, mix, func(_, clean []float32) error {
		words.Add(clean)
		voice.Add(clean)
		return nil
	}); err != nil {
		return nil, err
	}
	return voice.Voice(speech.Draw(words.Features()))
}
