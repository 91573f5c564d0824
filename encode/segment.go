package encode

import (
	"bytes"
	"context"
	"fmt"
	"io"
)

// Side by side, a file is encoded in segments, each by an encoder of its own that
// begins warmFrames early. What this encoder keeps from one frame for the next is:
//
//   - the last 512 input samples, for its filter bank, and the last granule's 18
//     samples of each subband, for its MDCT: together 1056 samples of input, less
//     than a frame;
//   - of each granule, the step size and the table regions of the last one that had
//     big values (§2.4.2.7 of ISO/IEC 11172-3), which it takes up again only for a
//     granule that has none;
//   - bits of the last frame that do not make up 32: they are the end of it.
//
// It has no bit reservoir, and its padding is not used. So after one frame that has
// big values in both granules it stands exactly as if it had encoded all that came
// before. Dither alone is enough for that (coder.settled makes sure of it), and the
// frames are the same, bit for bit, however the file is cut.
const (
	warmFrames = 1
	// segmentFrames is our choice, 5 s: short against a chapter, long against the frame
	// that is encoded twice. With that one it makes up a multiple of 32 bits.
	segmentFrames = 191
)

// A segment is some frames in a row that are encoded by themselves. Ready for use
// is the zero value.
type segment struct {
	first  int64 // the number of its first frame
	frames int
	warm   int
	// in holds the samples of the frames before, of its own, and of one more: the
	// encoder never hands out the end of its last frame.
	in  []int16
	out bytes.Buffer // the frames of all of these, unpadded
}

// frame returns the samples of frame i, of which the first ones are those before.
func (s *segment) frame(i int) []int16 {
	return s.in[i*samplesPerFrame:][:samplesPerFrame]
}

// own returns the encoded frames of the segment, one behind the other.
func (s *segment) own(frameBytes int) []byte {
	return s.out.Bytes()[s.warm*frameBytes:][:s.frames*frameBytes]
}

// A feed cuts a source into segments of 16-bit frames. There are as many frames as
// the samples need; behind their end comes dithered silence.
type feed struct {
	src       Source
	quantizer *quantizer
	most      int       // frames in a segment
	block     []float32 // a frame
	before    []int16   // the frames before the next segment; silence at the start
	frames    int64
	samples   int64
	ended     bool
}

func newFeed(src Source, seed [32]byte, most, warm int) *feed {
	return &feed{
		src: src, quantizer: newQuantizer(seed), most: most,
		block: make([]float32, samplesPerFrame), before: make([]int16, warm*samplesPerFrame),
	}
}

// fill makes the next segment.
func (f *feed) fill(ctx context.Context, s *segment) (last bool, err error) {
	if s.in == nil {
		s.in = newInput(len(f.before)/samplesPerFrame + f.most + 1)
	}
	s.first, s.frames, s.warm = f.frames, 0, len(f.before)/samplesPerFrame
	copy(s.in, f.before)
	for s.frames < f.most && !last {
		if ctx.Err() != nil {
			return false, fmt.Errorf("encode: %w", context.Cause(ctx))
		}
		clear(f.block)
		if !f.ended {
			n, err := fill(f.block, f.src)
			if err != nil && err != io.EOF {
				return false, fmt.Errorf("read samples to encode: %w", err)
			}
			f.ended = err == io.EOF
			f.samples += int64(n)
		}
		if f.ended && f.samples == 0 {
			return false, ErrNoSamples
		}
		if err := f.quantizer.quantize(s.frame(s.warm+s.frames), f.block); err != nil {
			return false, fmt.Errorf("dither frame %d: %w", f.frames, err)
		}
		s.frames++
		f.frames++
		last = f.ended && f.frames == frameCount(f.samples)
	}
	clear(s.frame(s.warm + s.frames))
	copy(f.before, s.in[s.frames*samplesPerFrame:])
	return last, nil
}

// writeAudio encodes all of src in segments of at most so many frames, each begun
// some frames early, and writes them to out in order.
func writeAudio(ctx context.Context, out io.Writer, src Source, opt Options, most, warm int) (w Written, m music, err error) {
	coders := make([]*coder, opt.workers())
	for i := range coders {
		if coders[i], err = newCoder(opt.BitrateKbps); err != nil {
			return w, m, fmt.Errorf("encode: %w", err)
		}
	}
	in, pad := newFeed(src, opt.DitherSeed, most, warm), newPadder(opt.BitrateKbps)
	frame := make([]byte, 0, maxFrameBytes)
	err = inOrder(len(coders),
		func(s *segment) (last bool, err error) { return in.fill(ctx, s) },
		func(worker int, s *segment) error { return coders[worker].encode(s) },
		func(s *segment) error {
			size := coders[0].frameBytes
			for own := s.own(size); len(own) > 0; own = own[size:] {
				// The padding goes by the number of the frame in the file.
				frame = padded(append(frame[:0], own[:size]...), pad.next())
				if _, err := out.Write(frame); err != nil {
					return fmt.Errorf("write audio frames: %w", err)
				}
				w.Frames++
				m.bytes += int64(len(frame))
				m.crc = crc16(m.crc, frame)
			}
			return nil
		})
	w.Samples, w.Clamped = in.samples, in.quantizer.clamped
	return w, m, err
}
