package encode

import (
	"errors"
	"fmt"
	"io"
	"math"
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

	Joint bool // any frame is in joint stereo
	Dual  bool // any frame holds two channels of their own

	ID3v2Bytes, ID3v1Bytes, APEBytes, LyricsBytes int64
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
// MPEG-1, 2 or 2.5 Layer III, mono or stereo, any bit rate,
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
	w.ID3v2Bytes += scan.tags.id3v2
	w.ID3v1Bytes += scan.tags.id3v1
	w.APEBytes += scan.tags.ape
	w.AudioBytes = to - w.AudioOffset
	w.compareCount(to)
	w.BitrateKbps = float64(w.kbps) / float64(w.Frames)
	w.Constant = w.MinKbps == w.MaxKbps
	w.skip, w.Samples = heard(w.samples, int64(w.first.samples()), w.Info)
	return w.Stream, nil
}

// walk gathers a Stream.
type walk struct {
	Stream
	first   header // 0 before the first frame
	rateHz  int    // of the frame before; 0 before the first
	samples int64
	seconds float64
	// surplusAt is where the first frame lies that the Info frame does not count.
	surplusAt int64
	kbps      int64 // sum over the frames
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
	if len(f.data) < f.size {
		w.StrayBytes += int64(len(f.data))
		w.damaged(f.at, "the last frame is cut short")
		return
	}
	rate := f.kbps
	if w.Frames == 0 {
		w.MinKbps, w.MaxKbps = rate, rate
	}
	w.MinKbps, w.MaxKbps = min(w.MinKbps, rate), max(w.MaxKbps, rate)
	w.kbps += int64(rate)
	switch f.h.mode() {
	case jointStereo:
		w.Joint = true
	case dualChannel:
		w.Dual = true
	}
	if r := f.h.sampleRateHz(); w.rateHz != 0 && r != w.rateHz {
		w.damaged(f.at, fmt.Sprintf("from here on the sound has %g kHz, before it had %g, and many players go wrong there", float64(r)/1000, float64(w.rateHz)/1000))
	}
	w.rateHz = f.h.sampleRateHz()
	if !f.h.sameKind(w.first) || f.h.channels() != w.first.channels() {
		w.MixedFormat = true
		w.Channels = max(w.Channels, f.h.channels())
	}
	if w.Info != nil && w.Frames == w.Info.Frames {
		w.surplusAt = f.at
	}
	w.Frames++
	w.samples += int64(f.h.samples())
	w.seconds += float64(f.h.samples()) / float64(f.h.sampleRateHz())
}

// compareCount holds the count in the Info frame against the frames there are. Some
// encoders count the Info frame itself.
func (w *walk) compareCount(to int64) {
	if w.Info == nil || w.Info.Frames == 0 {
		return
	}
	frameS := float64(w.first.samples()) / float64(w.first.sampleRateHz())
	over := w.Frames - w.Info.Frames
	offS := math.Abs(float64(over)) * frameS
	switch {
	case over > 0:
		w.DamageCount++
		at := float64(w.Info.Frames) * frameS
		w.Damage = append(w.Damage, Damage{Offset: w.surplusAt, AtS: at, UntilS: at, Says: fmt.Sprintf(
			"the sound goes on for %.2f s after the end that its first frame tells (%d frames of %d), and many players stop here or show a wrong length",
			offS, w.Info.Frames, w.Frames)})
	case over < -1 && len(w.Damage) > 0:
		w.Damage[len(w.Damage)-1].Says += fmt.Sprintf("; in all %.2f s of sound are missing (%d frames of %d)", offS, -over, w.Info.Frames)
	case over < -1:
		w.damaged(to, fmt.Sprintf("it ends %.2f s before the end that its first frame tells (%d frames of %d are missing)", offS, -over, w.Info.Frames))
	}
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
	switch {
	case info.Frames == 0:
		n = max(0, n-max(0, int64(info.PaddingSamples)-decoderDelay))
	case decoded <= info.Frames*perFrame:
		// Of a file that was cut, only what is left can be played.
		told := info.Frames*perFrame - int64(info.DelaySamples) - int64(info.PaddingSamples)
		n = max(0, min(n, told))
	}
	// Where more follows, as of files joined, the padding is not at the end.
	return skip, n
}
