package wav

import (
	"errors"
	"fmt"
	"io"

	"github.com/go-audio/riff"
)

// bufBytes is how much is fetched from the file at once: our choice, large
// enough that the number of reads does not matter.
const bufBytes = 64 << 10

// Reader streams the samples of one WAV file. It is not safe for use from
// several goroutines at once.
type Reader struct {
	r         io.ReaderAt
	info      Info
	convert   convert
	buf       []byte // a whole number of frames
	pcm       *riff.Chunk
	segFrames int64 // left in the open segment
	segMax    int64 // frames of a full segment
	left      int64 // frames left in all
	nonFinite int64
	err       error // the first failure, returned ever after
}

// NewReader streams the sound that Walk found in r. It returns an error if
// info is not one that Walk made.
func NewReader(r io.ReaderAt, info Info) (*Reader, error) {
	sampleBytes := info.ContainerBits / 8
	if info.Channels < 1 || info.Channels > 2 || info.BlockBytes < 1 ||
		info.BlockBytes != info.Channels*sampleBytes || info.Frames < 0 || info.DataOffset < 0 {
		return nil, errors.New("open sound: not a description of a WAV file")
	}
	return &Reader{
		r:       r,
		info:    info,
		convert: converter(info),
		buf:     make([]byte, bufBytes/info.BlockBytes*info.BlockBytes),
		segMax:  int64(maxSegmentBytes / info.BlockBytes),
		left:    info.Frames,
	}, nil
}

// Read fills dst[ch][0:n] for every channel and returns n, the frames read:
// as many as the shortest slice holds, or as there are. dst has one slice a
// channel; full scale is 1.0, which floating point samples may exceed; samples
// that are not finite numbers become 0 and are counted (NonFinite). At the end
// it returns 0, io.EOF.
//
// On failure it returns the frames read before it, and the error: ErrShrunk if
// the file has become shorter than it was, else what the file returned.
func (r *Reader) Read(dst [][]float32) (n int, err error) {
	if len(dst) != r.info.Channels {
		return 0, fmt.Errorf("read sound: %d channels asked of %d", len(dst), r.info.Channels)
	}
	if r.err != nil {
		return 0, r.err
	}
	if r.left == 0 {
		return 0, io.EOF
	}
	want := len(dst[0])
	for _, ch := range dst {
		want = min(want, len(ch))
	}
	for n < want && r.left > 0 {
		got, err := r.readBlock(dst, n, want-n)
		n += got
		if err != nil {
			r.err = err
			return n, err
		}
	}
	return n, nil
}

// NonFinite is how many samples so far were not finite numbers (NaN or
// infinite, as a faulty recorder writes them) and were replaced by silence.
func (r *Reader) NonFinite() int64 { return r.nonFinite }

// readBlock reads up to want frames, at most one buffer, into dst from frame
// at on.
func (r *Reader) readBlock(dst [][]float32, at, want int) (int, error) {
	if r.segFrames == 0 {
		if err := r.openNext(); err != nil {
			return 0, err
		}
	}
	block := r.info.BlockBytes
	n := int(min(int64(want), int64(len(r.buf)/block), r.segFrames))
	raw := r.buf[:n*block]
	if _, err := io.ReadFull(r.pcm, raw); err != nil {
		if err == io.EOF || err == io.ErrUnexpectedEOF {
			return 0, ErrShrunk
		}
		return 0, fmt.Errorf("read sound: %w", err)
	}
	sampleBytes := block / r.info.Channels
	for ch := range dst {
		r.nonFinite += r.convert(dst[ch][at:at+n], raw[ch*sampleBytes:], block)
	}
	r.segFrames -= int64(n)
	r.left -= int64(n)
	return n, nil
}

// openNext opens the next stretch of at most 1 GiB, in whole frames.
func (r *Reader) openNext() error {
	block := int64(r.info.BlockBytes)
	frames := min(r.left, r.segMax)
	offset := r.info.DataOffset + (r.info.Frames-r.left)*block
	pcm, err := openSegment(r.r, r.info, offset, frames*block)
	if err != nil {
		return err
	}
	r.pcm, r.segFrames = pcm, frames
	return nil
}
