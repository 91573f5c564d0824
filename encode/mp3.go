// Package encode writes the finished MP3 and proves it.
//
// Write makes a file of this shape, CBR, mono, 44.1 kHz:
//
//	ID3v2.3 tag      title, album, ... (none if all are empty)
//	Info frame       one unpadded silent frame: counts, delay, padding, two CRCs
//	audio frames     frameCount(samples) of them, padded by the rule of padder
//
// Walk finds out what any MP3 holds, NewDecoder decodes it, and Prove does both
// on a file of ours and compares it with what went in.
package encode

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"syscall"
)

// Source delivers the samples to encode: mono float32 at 44.1 kHz, full scale
// 1.0. It fills dst as far as it can and returns n = 0 with io.EOF at the end.
type Source func(dst []float32) (n int, err error)

// Options says how to encode.
type Options struct {
	BitrateKbps int // 128, 160, 192, 224, 256 or 320
	Tags        Tags
	DitherSeed  [32]byte // the same seed and samples give the same file
	// Workers is on how many cores to work at once, 8 at most; 0 is as many as there are.
	// It changes nothing in the file.
	Workers int
}

// Written is what Write made.
type Written struct {
	Frames  int64 // audio frames, the Info frame not counted
	Samples int64 // as fed
	Clamped int64 // samples beyond full scale, cut to it
	Bytes   int64
	// SHA256 is over the whole file, AudioSHA256 from the Info frame to the end:
	// it does not change with the tags. Both are read back from the file.
	SHA256, AudioSHA256 string
}

// ErrNoSamples means that the source ended before its first sample.
var ErrNoSamples = errors.New("nothing to encode: no samples")

// Write encodes src to a new file at path and flushes it to disk. It refuses to
// overwrite (fs.ErrExist). On an error, or when ctx is done, nothing is left
// behind. Putting the directory's entry on disk is the caller's part.
func Write(ctx context.Context, path string, src Source, opt Options) (Written, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return Written{}, fmt.Errorf("create MP3: %w", err)
	}
	return writeOrRemove(ctx, path, f, src, opt)
}

// file is the part of *os.File that is used, so that tests can let each call
// fail.
type file interface {
	io.Writer
	io.WriterAt
	io.ReaderAt
	Sync() error
	Close() error
}

func writeOrRemove(ctx context.Context, path string, f file, src Source, opt Options) (Written, error) {
	w, err := writeFile(ctx, f, src, opt)
	if closeErr := f.Close(); err == nil && closeErr != nil {
		err = fmt.Errorf("close MP3: %w", closeErr)
	}
	if err != nil {
		return Written{}, errors.Join(err, os.Remove(path))
	}
	return w, nil
}

// writeFile writes the parts in order, then the Info frame again, now that its
// figures are known.
func writeFile(ctx context.Context, f file, src Source, opt Options) (Written, error) {
	index, _ := bitrateIndex(opt.BitrateKbps) // newCoder refuses one there is not
	tag := opt.Tags.id3v2()
	out := bufio.NewWriterSize(f, 1<<16)
	if _, err := out.Write(append(tag, make([]byte, frameHeader(index, 0).size())...)); err != nil {
		return Written{}, fmt.Errorf("write tags: %w", err)
	}
	w, music, err := writeAudio(ctx, out, src, opt, segmentFrames, warmFrames)
	if err != nil {
		return Written{}, err
	}
	if err := out.Flush(); err != nil {
		return Written{}, fmt.Errorf("write audio frames: %w", err)
	}
	info, err := infoFrame(opt.BitrateKbps, w, music)
	if err != nil {
		return Written{}, fmt.Errorf("make Info frame: %w", err)
	}
	if _, err := f.WriteAt(info, int64(len(tag))); err != nil {
		return Written{}, fmt.Errorf("write Info frame: %w", err)
	}
	if err := flush(f); err != nil {
		return Written{}, fmt.Errorf("flush MP3 to disk: %w", err)
	}
	w.Bytes = int64(len(tag)+len(info)) + music.bytes
	w.SHA256, w.AudioSHA256, err = sums(f, int64(len(tag)), w.Bytes)
	if err != nil {
		return Written{}, fmt.Errorf("read MP3 back: %w", err)
	}
	return w, nil
}

// flush flushes a file to disk. A share that cannot do that at all is no error: fsync(2)
// names EINVAL, others answer ENOTSUP or ENOTTY.
func flush(f interface{ Sync() error }) error {
	err := f.Sync()
	for _, unsupported := range []error{syscall.EINVAL, syscall.ENOTSUP, syscall.ENOTTY} {
		if errors.Is(err, unsupported) {
			return nil
		}
	}
	return err
}

// music describes the audio frames, all that comes after the Info frame.
type music struct {
	bytes int64
	crc   uint16
}

// fill reads from src until dst is full or src ends, then with io.EOF.
func fill(dst []float32, src Source) (n int, err error) {
	for empty := 0; n < len(dst) && empty < 100; {
		k, err := src(dst[n:])
		n += k
		if err != nil {
			return n, err
		}
		if k == 0 {
			empty++
		}
	}
	if n < len(dst) {
		return n, io.ErrNoProgress
	}
	return n, nil
}

// sums returns the sha256 of the first size bytes, and of those from audioAt on.
func sums(r io.ReaderAt, audioAt, size int64) (whole, audio string, err error) {
	all, frames := sha256.New(), sha256.New()
	if _, err := io.Copy(all, io.NewSectionReader(r, 0, audioAt)); err != nil {
		return "", "", err
	}
	n, err := io.Copy(io.MultiWriter(all, frames), io.NewSectionReader(r, audioAt, math.MaxInt64-audioAt))
	if err != nil {
		return "", "", err
	}
	if audioAt+n != size {
		return "", "", fmt.Errorf("file holds %d bytes, %d were written", audioAt+n, size)
	}
	return hex.EncodeToString(all.Sum(nil)), hex.EncodeToString(frames.Sum(nil)), nil
}
