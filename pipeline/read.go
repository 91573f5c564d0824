package pipeline

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
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
func readRaw(ctx context.Context, f *os.File, info wav.Info, use func(ch [][]float32) error) (nonFinite int64, err error) {
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

// sumFile returns the sha256 of the whole of f.
func sumFile(ctx context.Context, f *os.File) (string, error) {
	h := sha256.New()
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return "", fmt.Errorf("read recording: %w", err)
	}
	if _, err := io.CopyBuffer(onlyWriter{h}, &ctxReader{ctx, f}, make([]byte, 1<<20)); err != nil {
		return "", fmt.Errorf("read recording: %w", err)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// onlyWriter and ctxReader keep io.CopyBuffer to the buffer it is given.
type onlyWriter struct{ hash.Hash }

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
