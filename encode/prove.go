package encode

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
)

// Proof is what Prove found. Of digital silence, SNRDB is -Inf, PeakMoveDB +Inf
// and GainDB no number.
type Proof struct {
	Stream Stream
	// GainDB is the gain from fed to decoded that leaves the smallest difference.
	GainDB float64
	// SNRDB is the power of the fed sound over that of the difference, over the
	// whole file; ErrorDBFS and FedDBFS are the two as RMS.
	SNRDB, ErrorDBFS, FedDBFS float64
	// PeakMoveDB is the decoded sample peak over the fed one.
	PeakMoveDB float64
	// OffPart is the largest difference of a single sample, as part of the
	// largest sample within a frame of it, and OffAtS is where; quiet frames are
	// left out as in WorstDB.
	OffPart, OffAtS float64
	// WorstDB is the lowest such ratio of any one frame, each taken with the
	// loudest of itself and its neighbors, where the difference is louder than
	// errorFloorDBFS; WorstAtS is where. +Inf if there is no such frame.
	WorstDB, WorstAtS float64
}

// The bounds of a proof, our choice.
const (
	// maxGainDB: readings were measured within 0.005 dB, but a sound of nothing
	// but clicks is 0.3 dB off, as the encoder rounds all its lines alike. The
	// gain faults known of the encoder are 1 and 6 dB.
	maxGainDB = 0.5
	// errorFloorDBFS is the RMS of a difference that is not judged: below it lie
	// the encoder's dithered input steps (measured: -89.3) and nothing a listener
	// hears. The decoder adds nothing: it is within -110 dBFS of exact. Noise of
	// every level from -90 to -50 dBFS was measured 4.6 dB and more within the bounds
	// below at every bit rate.
	errorFloorDBFS = -80.0
)

// minFrameSNRDB returns how far the difference must lie below the sound in
// every frame. A bit a sample is worth 6.02 dB; white noise, the hardest sound to
// encode, was measured 8 to 11 dB short of that, readings lie 20 dB and more
// above it. The encoder's overflow ends at -4 dB, a lost frame at 0.
func minFrameSNRDB(kbps int) float64 {
	return 6.02*1000*float64(kbps)/sampleRateHz - 14
}

// maxOffPart bounds the difference of a single sample, as part of the largest
// sample nearby: by the same ratio, but no closer than 1/4, for the sake of
// clicks and steps. White noise was measured at 0.49 of 0.67 at 128 kbit/s, 0.17
// of 1/4 at 192; readings at 0.02; the encoder's overflow at 2.4.
func maxOffPart(kbps int) float64 {
	return max(0.25, math.Pow(10, -minFrameSNRDB(kbps)/20))
}

// Prove shows that the file at path is what Write said it wrote, and that it
// decodes to what was fed. Every frame header is checked (MPEG-1 Layer III, bit
// rate, mono, 44.1 kHz, padding), the Info frame with its counts and both sums,
// the exact end of the file and both sha256; then the file is decoded and
// compared with fed, which must deliver the same samples again: exact length,
// gain, and the difference in every frame. sink, unless nil, receives the
// decoded samples block by block, while fed is read on another goroutine.
func Prove(ctx context.Context, path string, w Written, opt Options, fed Source, sink func([]float32) error) (Proof, error) {
	f, err := os.Open(path)
	if err != nil {
		return Proof{}, fmt.Errorf("open MP3 to prove it: %w", err)
	}
	defer f.Close() // only read from: nothing can be lost
	stat, err := f.Stat()
	if err != nil {
		return Proof{}, fmt.Errorf("measure MP3: %w", err)
	}
	if stat.Size() != w.Bytes {
		return Proof{}, fmt.Errorf("prove MP3: %d bytes on disk, %d were written", stat.Size(), w.Bytes)
	}
	s, err := Walk(f, w.Bytes)
	if err != nil {
		return Proof{}, fmt.Errorf("walk MP3: %w", err)
	}
	if err := proveFrames(f, s, w, opt); err != nil {
		return Proof{}, fmt.Errorf("prove frames: %w", err)
	}
	c, err := compare(ctx, f, s, w, fed, sink, opt.workers(), stretchFrames)
	if err != nil {
		return Proof{}, fmt.Errorf("decode MP3 to prove it: %w", err)
	}
	p := c.proof(s)
	if err := p.judge(opt.BitrateKbps); err != nil {
		return p, fmt.Errorf("prove sound: %w", err)
	}
	return p, nil
}

// proveFrames reads the file once more from the Info frame on, by the rules of
// frames.go alone, so that it does not lean on Walk's.
func proveFrames(r io.ReaderAt, s Stream, w Written, opt Options) error {
	index, ok := bitrateIndex(opt.BitrateKbps)
	if !ok {
		return fmt.Errorf("bit rate %d kbit/s is none we write", opt.BitrateKbps)
	}
	if w.Frames != frameCount(w.Samples) {
		return fmt.Errorf("%d frames for %d samples, want %d", w.Frames, w.Samples, frameCount(w.Samples))
	}
	at := int64(len(opt.Tags.id3v2()))
	if s.AudioOffset != at || s.DamageCount != 0 || s.StrayBytes != 0 || s.Frames != w.Frames || s.Samples != w.Samples {
		return fmt.Errorf("walk found %d frames, %d samples, first at %d, %d stray bytes, %d places of damage; want %d, %d, %d, 0, 0",
			s.Frames, s.Samples, s.AudioOffset, s.StrayBytes, s.DamageCount, w.Frames, w.Samples, at)
	}
	infoAt := at
	info := make([]byte, frameHeader(index, 0).size())
	if _, err := r.ReadAt(info, at); err != nil {
		return fmt.Errorf("read Info frame: %w", err)
	}
	at += int64(len(info))
	var m music
	pad := newPadder(opt.BitrateKbps)
	in := io.NewSectionReader(r, at, w.Bytes-at)
	buf := make([]byte, maxFrameBytes)
	for i := range w.Frames {
		want := frameHeader(index, pad.next())
		frame := buf[:want.size()]
		if _, err := io.ReadFull(in, frame); err != nil {
			return fmt.Errorf("read frame %d: %w", i, err)
		}
		if got := parseHeader(frame); got != want {
			return fmt.Errorf("frame %d has header %08X, want %08X", i, uint32(got), uint32(want))
		}
		if reach(frame[headerBytes:], want) != 0 {
			return fmt.Errorf("frame %d leans on the one before", i)
		}
		m.bytes += int64(len(frame))
		m.crc = crc16(m.crc, frame)
	}
	if end := at + m.bytes; end != w.Bytes {
		return fmt.Errorf("%d bytes after the last frame", w.Bytes-end)
	}
	want, err := infoFrame(opt.BitrateKbps, w, m)
	if err != nil {
		return err
	}
	if string(info) != string(want) {
		return errors.New("the Info frame does not say what the file holds")
	}
	whole, audio, err := sums(r, infoAt, w.Bytes)
	if err != nil {
		return fmt.Errorf("read MP3: %w", err)
	}
	if whole != w.SHA256 || audio != w.AudioSHA256 {
		return errors.New("the file is not the one that was written (sha256)")
	}
	return nil
}
