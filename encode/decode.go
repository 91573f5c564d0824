package encode

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/hajimehoshi/go-mp3"
)

// ErrNotDecodable means that the frames are there, but of a kind the library
// cannot decode: sample rates below 16 kHz (MPEG-2.5), and padded frames of 22.05
// kHz at some bit rates, which it reads a byte short, so that noise at full
// scale comes out.
var ErrNotDecodable = errors.New("MP3 sound of this sample rate and bit rate cannot be read here")

// A Decoder turns an MP3 into samples, frame by frame as Walk found them. It
// never gives the library anything but whole frames: not a tag, for which it
// would allocate whatever size the tag claims, not the Info frame, which it
// would decode as 1152 zeros, and no stray bytes, which it would skip without a
// word.
type Decoder struct {
	scan     *scanner
	info     bool // the next frame is the Info frame
	channels int
	skip     int64 // samples still to leave out
	left     int64 // samples still to deliver

	dec  *mp3.Decoder
	feed bytes.Reader // the current frame
	// reservoir is how many bytes of main data the library holds from frames
	// before, capped at what a frame can reach back for.
	reservoir int
	frame     []byte
	pcm       []byte // 16-bit stereo, what is left of the current frame
	buf       [1152 * 4]byte

	// Silenced counts frames that could not be decoded and came out as silence.
	Silenced int64
}

// NewDecoder decodes the MP3 in r that Walk has found to be s. The delay and
// padding of an encoder are left out where an Info tag tells them; otherwise
// every sample comes. Of a damaged file the whole frames come, with silence for
// those whose inside is broken.
func NewDecoder(r io.ReaderAt, s Stream) (*Decoder, error) {
	if s.MPEGVersion == "MPEG-2.5" {
		return nil, ErrNotDecodable
	}
	return &Decoder{
		scan:     newScanner(r, s.AudioOffset, s.AudioOffset+s.AudioBytes, nil),
		info:     s.Info != nil,
		channels: s.Channels,
		skip:     s.skip,
		left:     s.Samples,
	}, nil
}

// Channels returns 1 or 2.
func (d *Decoder) Channels() int { return d.channels }

// Read fills dst, one slice a channel, with samples of full scale 1.0, and
// returns how many each got. At the end it returns 0 and io.EOF.
//
// The library cuts each sample toward zero to a multiple of 1/32767 and limits
// it to ±1. The middle of the interval a sample came from is delivered, half a
// step further out, which takes the bias from every level measured (0.15 dB at
// -60 dBFS); between -1 and +1 step it is not known, and 0 is delivered. Overs
// beyond full scale read as exactly 1.
func (d *Decoder) Read(dst [][]float32) (n int, err error) {
	if len(dst) != d.channels {
		return 0, fmt.Errorf("decode MP3: %d slices for %d channels", len(dst), d.channels)
	}
	if d.left == 0 {
		return 0, io.EOF
	}
	for len(d.pcm) == 0 {
		if err := d.nextFrame(); err != nil {
			return 0, err
		}
	}
	n = int(min(int64(len(dst[0])), int64(len(d.pcm)/4), d.left))
	for ch, out := range dst {
		for i := range n {
			out[i] = sampleFrom(int16(binary.LittleEndian.Uint16(d.pcm[4*i+2*ch:])))
		}
	}
	d.pcm = d.pcm[4*n:]
	d.left -= int64(n)
	return n, nil
}

func sampleFrom(v int16) float32 {
	switch {
	case v == 32767:
		return 1
	case v <= -32767:
		return -1
	case v > 0:
		return (float32(v) + 0.5) / 32767
	case v < 0:
		return (float32(v) - 0.5) / 32767
	}
	return 0
}

// nextFrame decodes one frame into d.pcm, less the samples to skip.
func (d *Decoder) nextFrame() error {
	f, ok := d.scan.next()
	if ok && d.info {
		d.info = false
		f, ok = d.scan.next()
	}
	if d.scan.err != nil {
		return d.scan.err
	}
	if !ok || len(f.data) < f.h.size() {
		return fmt.Errorf("decode MP3: %w", io.ErrUnexpectedEOF)
	}
	if f.h.version() == mpeg25 || f.h.size() != librarySize(f.h) {
		return ErrNotDecodable
	}
	pcm, err := d.decode(f)
	if err != nil {
		// The library keeps nothing of a frame it fails on: start afresh.
		d.dec, d.reservoir = nil, 0
		d.Silenced++
		pcm = d.buf[:f.h.samples()*4]
		clear(pcm)
	}
	skip := min(d.skip, int64(len(pcm)/4))
	d.skip -= skip
	d.pcm = pcm[4*skip:]
	return nil
}

// librarySize is the frame size the library believes in. In MPEG-2 it halves
// after adding the padding byte, which loses the byte if the sum is odd.
func librarySize(h header) int {
	if h.version() == mpeg1 {
		return h.size()
	}
	return (144000*h.bitrateKbps()/h.sampleRateHz() + h.padding()) / 2
}

// decode runs the library over one frame. A panic inside comes back as an error.
func (d *Decoder) decode(f frame) (pcm []byte, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("decoder failed: %v", p)
		}
	}()
	d.frame = append(d.frame[:0], f.data...)
	side := headerBytes
	if f.h.hasCRC() {
		side += 2
	}
	mainAt := side + f.h.sideInfoBytes()
	if mainAt > len(d.frame) {
		return nil, errors.New("frame is too short for its side information")
	}
	if reach(d.frame[side:], f.h) > d.reservoir {
		// The data it reaches back for is not there (the file was cut before it):
		// the library would decode other bytes in its place. With its side
		// information cleared the frame is silent, and its main data is kept for
		// the next one.
		clear(d.frame[side:mainAt])
		d.Silenced++
	}
	d.reservoir = min(511, d.reservoir+len(d.frame)-mainAt)

	d.feed.Reset(d.frame)
	if d.dec == nil {
		// A plain reader: of a seeker the library would read all of it at once.
		if d.dec, err = mp3.NewDecoder(struct{ io.Reader }{&d.feed}); err != nil {
			return nil, err
		}
	}
	n, err := io.ReadFull(d.dec, d.buf[:f.h.samples()*4])
	if err != nil {
		return nil, err
	}
	return d.buf[:n], nil
}

// reach returns main_data_begin: how many bytes before this frame its main data
// starts (ISO/IEC 11172-3 §2.4.1.7: 9 bits; 8 in MPEG-2).
func reach(side []byte, h header) int {
	if h.version() == mpeg1 {
		return int(side[0])<<1 | int(side[1])>>7
	}
	return int(side[0])
}
