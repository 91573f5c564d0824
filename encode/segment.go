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
//     big values (§2.4.2.7 of ISO/IEC 11172-3), which it takes up again for a granule
//     that has none, and for a step size tried that leaves none;
//   - bits of the last frame that do not make up 32: they are the end of it.
//
// It has no bit reservoir, and its padding is not used. Of the frames in front of a segment
// the first fills the filter bank. If the second then comes out as it did at the end of the
// segment before, with big values in both granules, the encoder stands exactly as if it had
// encoded all that came before, and the frames are the same, bit for bit, however the file
// is cut. Every segment is looked at for that (segment.follows). Where it is not so, as of a
// click in every granule, the segment is encoded once more, from where the one before ended.
const (
	warmFrames = 2
	// segmentFrames is our choice, 6.6 s: short against a chapter, long against the frames
	// that are encoded twice. With those it makes up a multiple of 32 bits.
	segmentFrames = 254
)

// A segment is some frames in a row that are encoded by themselves. Ready for use
// is the zero value.
type segment struct {
	first  int64 // the number of its first frame
	frames int
	warm   int
	// in holds the samples of the frames before, of its own, and of one more: the
	// encoder never hands out the end of its last frame.
	in    []int16
	coder *coder // stands at the end of the segment
	out   bytes.Buffer
	coded []byte // the frames that were encoded, up to the last one of its own, unpadded
}

// frame returns the samples of frame i, of which the first ones are those before.
func (s *segment) frame(i int) []int16 {
	return s.in[i*samplesPerFrame:][:samplesPerFrame]
}

// encode encodes the segment by itself.
func (s *segment) encode(kbps int) (err error) {
	if s.coder == nil {
		if s.coder, err = newCoder(kbps); err != nil {
			return err
		}
	}
	s.coder.begin()
	return s.coder.encode(s, 0)
}

// own returns the encoded frames of the segment, one behind the other.
func (s *segment) own() []byte {
	return s.coded[len(s.coded)-s.frames*s.coder.frameBytes:]
}

// follows reports whether the segment, encoded by itself, is as in one pass: it is the
// first, or the frame in front of its own left the encoder as the last one of the segment
// before did.
func (s *segment) follows(last []byte) bool {
	before := s.coded[:len(s.coded)-len(s.own())]
	return s.first == 0 || bytes.HasSuffix(before, last) && settled(last)
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
	before, err := newCoder(opt.BitrateKbps) // from the second segment on, as it stands at the end of the one before
	if err != nil {
		return w, m, fmt.Errorf("encode: %w", err)
	}
	in, pad := newFeed(src, opt.DitherSeed, most, warm), newPadder(opt.BitrateKbps)
	size := before.frameBytes
	last, frame := make([]byte, size), make([]byte, 0, maxFrameBytes)
	err = inOrder(opt.workers(),
		func(s *segment) (last bool, err error) { return in.fill(ctx, s) },
		func(_ int, s *segment) error { return s.encode(opt.BitrateKbps) },
		func(s *segment) error {
			if s.follows(last) {
				before, s.coder = s.coder, before
			} else if err := before.encode(s, s.warm); err != nil {
				return err
			}
			for own := s.own(); len(own) > 0; own = own[size:] {
				// The padding goes by the number of the frame in the file.
				frame = padded(append(frame[:0], own[:size]...), pad.next())
				if _, err := out.Write(frame); err != nil {
					return fmt.Errorf("write audio frames: %w", err)
				}
				w.Frames++
				m.bytes += int64(len(frame))
				m.crc = crc16(m.crc, frame)
				copy(last, own)
			}
			return nil
		})
	w.Samples, w.Clamped = in.samples, in.quantizer.clamped
	return w, m, err
}
