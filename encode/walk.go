package encode

import (
	"errors"
	"fmt"
	"io"
)

// Stream is what a walk over every frame of an MP3 found.
type Stream struct {
	Frames       int64 // whole audio frames, an Info frame not counted
	Samples      int64 // a channel, after delay and padding are removed if told
	SampleRateHz int   // of the first frame
	Channels     int   // 2 if any frame has two
	MPEGVersion  string

	Constant         bool    // all audio frames have one bit rate
	BitrateKbps      float64 // mean over the audio frames
	MinKbps, MaxKbps int
	MixedFormat      bool // sample rate, version or channels change on the way

	Info *InfoTag // nil if there is none

	ID3v2Bytes, ID3v1Bytes, APEBytes int64
	// AudioOffset is where the first frame starts, the Info frame if there is
	// one; AudioBytes is from there to the tags at the end.
	AudioOffset, AudioBytes int64
	// StrayBytes belong to no whole frame and no tag.
	StrayBytes int64
	// Damage lists the first maxDamage places; DamageCount counts them all.
	Damage      []Damage
	DamageCount int

	// skip is how many decoded samples come before the first of Samples.
	skip int64
}

// ErrNoMP3 means that a file holds no whole frame of MP3 sound.
var ErrNoMP3 = errors.New("no MP3 sound in this file")

// Walk steps over every frame header of the MP3 in the first size bytes of r:
// MPEG-1, 2 or 2.5 Layer III, mono or stereo, any bit rate but the free format,
// with ID3v1, ID3v2 and APEv2 tags, an Info, Xing or VBRI frame, and damage
// anywhere. It fails with ErrNoMP3, or if r cannot be read.
func Walk(r io.ReaderAt, size int64) (Stream, error) {
	s, from, to, err := findTags(r, size)
	if err != nil {
		return Stream{}, err
	}
	w := walk{Stream: s}
	scan := newScanner(r, from, to, w.strayBytes)
	for f, ok := scan.next(); ok; f, ok = scan.next() {
		w.frame(f)
	}
	if scan.err != nil {
		return Stream{}, scan.err
	}
	if w.Frames == 0 {
		return Stream{}, ErrNoMP3
	}
	w.AudioBytes = to - w.AudioOffset
	w.BitrateKbps = float64(w.kbps) / float64(w.Frames)
	w.Constant = w.MinKbps == w.MaxKbps
	w.skip, w.Samples = heard(w.samples, int64(w.first.samples()), w.Info)
	return w.Stream, nil
}

// walk gathers a Stream.
type walk struct {
	Stream
	first   header // 0 before the first frame
	samples int64
	seconds float64
	kbps    int64 // sum over the frames
}

func (w *walk) frame(f frame) {
	if w.first == 0 {
		w.first = f.h
		w.AudioOffset = f.at
		w.SampleRateHz, w.Channels, w.MPEGVersion = f.h.sampleRateHz(), f.h.channels(), f.h.versionName()
		if w.Info = parseInfo(f.data); w.Info != nil {
			return
		}
	}
	if len(f.data) < f.h.size() {
		w.StrayBytes += int64(len(f.data))
		w.damaged(f.at, "the last frame is cut short")
		return
	}
	rate := f.h.bitrateKbps()
	if w.Frames == 0 {
		w.MinKbps, w.MaxKbps = rate, rate
	}
	w.MinKbps, w.MaxKbps = min(w.MinKbps, rate), max(w.MaxKbps, rate)
	w.kbps += int64(rate)
	if !f.h.sameKind(w.first) || f.h.channels() != w.first.channels() {
		w.MixedFormat = true
		w.Channels = max(w.Channels, f.h.channels())
	}
	w.Frames++
	w.samples += int64(f.h.samples())
	w.seconds += float64(f.h.samples()) / float64(f.h.sampleRateHz())
}

func (w *walk) strayBytes(at, n int64) {
	w.StrayBytes += n
	if w.first == 0 {
		w.damaged(at, fmt.Sprintf("%d bytes before the first frame are no MP3 sound", n))
		return
	}
	w.damaged(at, fmt.Sprintf("%d bytes after this moment are no MP3 sound", n))
}

func (w *walk) damaged(at int64, says string) {
	w.DamageCount++
	if len(w.Damage) < maxDamage {
		w.Damage = append(w.Damage, Damage{Offset: at, AtS: w.seconds, UntilS: w.seconds, Says: says})
	}
}

// heard tells which of the decoded samples a player should play: skip the first
// so many, then take n. An encoder's delay is followed by the decoder's own 529
// samples, which also use up that much of the padding at the end.
func heard(decoded, perFrame int64, info *InfoTag) (skip, n int64) {
	if info == nil || !info.HasDelay {
		return 0, decoded
	}
	skip = min(decoded, int64(info.DelaySamples)+decoderDelay)
	n = decoded - skip
	if info.Frames > 0 {
		// Of a file that was cut, only what is left can be played.
		told := info.Frames*perFrame - int64(info.DelaySamples) - int64(info.PaddingSamples)
		n = max(0, min(n, told))
	} else {
		n = max(0, n-max(0, int64(info.PaddingSamples)-decoderDelay))
	}
	return skip, n
}
