package pipeline

import (
	"context"
	"errors"
	"io"

	"lectern/pipeline/resample"
	"lectern/pipeline/wav"
)

// errEnough ends a hearing before the raw does.
var errEnough = errors.New("enough was heard")

// hear streams a raw as every step hears it: mixed to mono, at 44.1 kHz, each block as it
// was recorded and with the rumble taken out. mix fills its first argument; if it returns
// errEnough nothing more is read. Both blocks are lent for the call only.
func hear(ctx context.Context, f io.ReaderAt, info wav.Info, rumbleHz float64, mix func(mono []float32, ch [][]float32) error,
	use func(recorded, clean []float32) error) error {
	filter := newRumbleFilter(rumbleHz)
	var clean []float32
	emit := func(block []float32) error {
		clean = append(clean[:0], block...) // the block is the converter's own
		filter.apply(clean)
		return use(block, clean)
	}
	converter := resample.New(info.SampleRateHz)
	mono := make([]float32, blockSamples)
	_, err := readRaw(ctx, f, info, func(ch [][]float32) error {
		part := mono[:len(ch[0])]
		if err := mix(part, ch); err != nil {
			return err
		}
		return converter.Write(part, emit)
	})
	if err != nil && !errors.Is(err, errEnough) {
		return err
	}
	return converter.Close(emit)
}

// hearSurveyed hears a raw that was surveyed, whole, and makes sure that it is still the
// same: if not the error is ErrChanged.
func hearSurveyed(ctx context.Context, path string, s *survey, rumbleHz float64, progress func(share float64),
	use func(recorded, clean []float32) error) error {
	f, info, err := openRaw(path)
	if err != nil {
		return err
	}
	defer f.Close()
	if info.Frames != s.info.Frames {
		return ErrChanged
	}
	var done int64
	mix := func(mono []float32, ch [][]float32) error {
		s.channel.mix(mono, ch, s.offset)
		done += int64(len(mono))
		progress(float64(done) / float64(info.Frames))
		return nil
	}
	heard := newSummer(f)
	if err := hear(ctx, heard, info, rumbleHz, mix, use); err != nil {
		return err
	}
	sum, err := heard.sum(ctx)
	if err != nil {
		return err
	}
	if sum != s.sha256 {
		return ErrChanged
	}
	return nil
}
