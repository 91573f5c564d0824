package pipeline

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"math"
	"os"

	"lectern/pipeline/wav"
)

// RawError means that a raw itself is at fault; trying again with the same raw
// is of no use. Says is what is wrong and what to do, for the narrator.
type RawError struct{ Says string }

func (e *RawError) Error() string { return e.Says }

// rawError turns what the WAV reader refuses into a RawError and leaves other
// errors, such as a disk's, alone.
func rawError(err error) error {
	var bad *wav.BadError
	var unsupported *wav.UnsupportedError
	switch {
	case errors.As(err, &bad):
		return &RawError{bad.Says}
	case errors.As(err, &unsupported):
		return &RawError{unsupported.Says}
	}
	return err
}

// ErrChanged means that a raw was not the same each time it was read.
var ErrChanged = errors.New("the recording changed while it was read")

// openRaw opens a raw and walks its chunks.
func openRaw(path string) (*os.File, wav.Info, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, wav.Info{}, fmt.Errorf("open recording: %w", err)
	}
	st, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, wav.Info{}, fmt.Errorf("open recording: %w", err)
	}
	if !st.Mode().IsRegular() {
		f.Close()
		return nil, wav.Info{}, &RawError{"This is not an ordinary file. Drop the recording itself."}
	}
	info, err := wav.Walk(f, st.Size())
	if err != nil {
		f.Close()
		return nil, wav.Info{}, rawError(err)
	}
	if info.Frames == 0 {
		f.Close()
		return nil, wav.Info{}, &RawError{"The file holds no sound. Check that the recorder was running, and record it again."}
	}
	return f, info, nil
}

// blockSamples is how many samples of each channel are read at a time.
const blockSamples = 8192

// readRaw streams a raw's samples to use, one slice a channel, and returns how
// many of them were no numbers.
func readRaw(ctx context.Context, f io.ReaderAt, info wav.Info, use func(ch [][]float32) error) (nonFinite int64, err error) {
	r, err := wav.NewReader(f, info)
	if err != nil {
		return 0, rawError(err)
	}
	dst := make([][]float32, info.Channels)
	for i := range dst {
		dst[i] = make([]float32, blockSamples)
	}
	part := make([][]float32, info.Channels)
	for {
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		n, err := r.Read(dst)
		if n > 0 {
			for i := range dst {
				part[i] = dst[i][:n]
			}
			if err := use(part); err != nil {
				return 0, err
			}
		}
		if err == io.EOF {
			return r.NonFinite(), nil
		}
		if err != nil {
			return 0, fmt.Errorf("read recording: %w", err)
		}
	}
}

// summer takes the sha256 of a file while others read it from front to back, so that the
// sum is that of what they got.
type summer struct {
	f    io.ReaderAt
	hash hash.Hash
	done int64 // bytes summed
}

func newSummer(f io.ReaderAt) *summer { return &summer{f: f, hash: sha256.New()} }

// ReadAt reads, and sums what comes next. What was skipped is summed first.
func (s *summer) ReadAt(p []byte, from int64) (int, error) {
	if from > s.done {
		if err := s.sumTo(context.Background(), from); err != nil {
			return 0, err
		}
	}
	n, err := s.f.ReadAt(p, from)
	if from <= s.done && s.done < from+int64(n) {
		s.hash.Write(p[s.done-from : n])
		s.done = from + int64(n)
	}
	return n, err
}

// sumTo sums what lies in front of byte `to`, as far as the file goes.
func (s *summer) sumTo(ctx context.Context, to int64) error {
	n, err := io.Copy(s.hash, &ctxReader{ctx, io.NewSectionReader(s.f, s.done, to-s.done)})
	s.done += n
	return err
}

// sum returns the sum of the whole file.
func (s *summer) sum(ctx context.Context) (string, error) {
	if err := s.sumTo(ctx, math.MaxInt64); err != nil {
		return "", fmt.Errorf("read recording: %w", err)
	}
	return hex.EncodeToString(s.hash.Sum(nil)), nil
}

// ctxReader reads until ctx is done.
type ctxReader struct {
	ctx context.Context
	r   io.Reader
}

func (c *ctxReader) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.Read(p)
}
