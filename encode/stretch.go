package encode

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"lectern/encode/layer3"
)

// Side by side, a file is decoded in stretches, each by a decoder that begins one frame
// early: a granule leans on the one before by its overlap, and the filter bank on the
// last 15 slots of 18. No frame of ours reaches back for bits.
//
// stretchFrames is our choice, 2.5 s. It must be a multiple of 4, after which the ring
// of the filter bank (16 places, 36 taken by a frame) stands as at the start, so that
// its sums are taken in the same order.
const stretchFrames = 96

// A stretch is some blocks of a frame's length, fed and decoded, and the frames they lie
// in: as the sound comes late by less than a frame, block k lies in frames k and k+1.
// Ready for use is the zero value.
type stretch struct {
	firstFrame, firstBlock int64
	data                   []byte // its frames, one behind the other
	ends                   []int  // of each of them
	fed, decoded           []float32
	spans                  []span
	silenced               int // frames that could not be decoded
}

// A stretcher cuts a file and what was fed for it into stretches: the first has most+1
// blocks, the others have most, and each begins with the last two frames of the one before.
type stretcher struct {
	scan          *scanner
	fed           Source
	most          int
	samples, done int64
	frames        int64
	tail          []byte // the last two frames
	tailEnds      []int
}

// fill makes the next stretch.
func (c *stretcher) fill(ctx context.Context, s *stretch) (last bool, err error) {
	if ctx.Err() != nil {
		return false, context.Cause(ctx)
	}
	blocks := c.most
	if c.done == 0 {
		blocks++
	}
	n := int(min(int64(blocks*samplesPerFrame), c.samples-c.done))
	s.firstBlock = c.done / samplesPerFrame
	s.fed = slices.Grow(s.fed[:0], n)[:n]
	if k, err := fill(s.fed, c.fed); err != nil && (err != io.EOF || k < n) {
		return false, fmt.Errorf("read the samples again, %d of %d: %w", c.done+int64(k), c.samples, err)
	}
	c.done += int64(n)

	s.firstFrame = c.frames - int64(len(c.tailEnds))
	s.data, s.ends = append(s.data[:0], c.tail...), append(s.ends[:0], c.tailEnds...)
	for ; c.frames <= (codecDelay+c.done-1)/samplesPerFrame; c.frames++ {
		f, ok := c.scan.next()
		if c.scan.err != nil {
			return false, c.scan.err
		}
		if !ok || len(f.data) < f.size {
			return false, fmt.Errorf("decode frame %d: %w", c.frames, io.ErrUnexpectedEOF)
		}
		s.data = append(s.data, f.data...)
		s.ends = append(s.ends, len(s.data))
	}
	if c.done < c.samples {
		from := s.ends[len(s.ends)-3]
		c.tail = append(c.tail[:0], s.data[from:]...)
		c.tailEnds = append(c.tailEnds[:0], s.ends[len(s.ends)-2]-from, len(c.tail))
		return false, nil
	}
	var more [1]float32
	if n, err := fill(more[:], c.fed); n != 0 || err != io.EOF {
		return false, errors.New("the samples read again are more than were encoded")
	}
	return true, nil
}

// sound returns the decoded samples that belong to the fed ones.
func (s *stretch) sound() []float32 {
	return s.decoded[(s.firstBlock-s.firstFrame)*samplesPerFrame+codecDelay:][:len(s.fed)]
}

// compare decodes a stretch and holds each block of it against what was fed.
func (s *stretch) compare(d *layer3.Decoder) error {
	d.Reset()
	n := len(s.ends) * samplesPerFrame
	s.decoded = slices.Grow(s.decoded[:0], n)[:n]
	s.silenced = 0
	from := 0
	dst := make([][]float32, 1)
	for i, end := range s.ends {
		dst[0] = s.decoded[i*samplesPerFrame:][:samplesPerFrame]
		n, err := d.Frame(dst, s.data[from:end])
		if n != samplesPerFrame {
			return fmt.Errorf("decode frame %d: %d samples: %w", s.firstFrame+int64(i), n, err)
		}
		if err != nil && err != layer3.ErrCRC && (i >= 2 || s.firstFrame == 0) {
			s.silenced++
		}
		from = end
	}
	s.spans = s.spans[:0]
	for fed, decoded := s.fed, s.sound(); len(fed) > 0; {
		n := min(samplesPerFrame, len(fed))
		span := newSpan(fed[:n], decoded[:n])
		if span.diffSum-span.diffSum != 0 { // it would be beyond no bound
			return fmt.Errorf("compare block %d: %w", s.firstBlock+int64(len(s.spans)), errNotANumber)
		}
		s.spans = append(s.spans, span)
		fed, decoded = fed[n:], decoded[n:]
	}
	return nil
}

// compare decodes the file and holds it against the samples that were fed, in stretches
// of so many blocks.
func compare(ctx context.Context, r io.ReaderAt, s Stream, w Written, fed Source, sink func([]float32) error, workers, most int) (*comparison, error) {
	in := &stretcher{fed: fed, most: most, samples: w.Samples}
	in.scan = newScanner(r, s.AudioOffset, s.AudioOffset+s.AudioBytes, nil)
	in.scan.next() // the Info frame
	decoders := make([]layer3.Decoder, workers)
	c := &comparison{worst: math.Inf(1)}
	silenced := 0
	err := inOrder(workers,
		func(s *stretch) (last bool, err error) { return in.fill(ctx, s) },
		func(worker int, s *stretch) error { return s.compare(&decoders[worker]) },
		func(s *stretch) error {
			sound := s.sound()
			for _, span := range s.spans {
				if sink != nil {
					if err := sink(sound[:span.samples]); err != nil {
						return err
					}
				}
				sound = sound[span.samples:]
				c.add(span)
			}
			silenced += s.silenced
			return nil
		})
	if err != nil {
		return nil, err
	}
	if silenced > 0 {
		return nil, fmt.Errorf("%d frames cannot be decoded", silenced)
	}
	c.close(span{})
	return c, nil
}
