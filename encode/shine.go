package encode

import (
	"errors"
	"fmt"

	shine "github.com/braheezy/shine-mp3/pkg/mp3"
)

// inputScale is what a sample of full scale 1.0 becomes at the encoder's int16
// input. The encoder plays back 9/8 too loud (+1.02 dB at every frequency), and
// its 32-bit sums overflow without a word: flat-topped audio from about 0.55 of
// its full scale on, sines from 0.70 on. So it is fed 4/9 of the signal, which
// keeps a full-scale square wave below 0.5, and raiseGain doubles every frame
// afterwards: 4/9 · 9/8 · 2 = 1.
const (
	inputScale = 32768 * 4.0 / 9
	gainSteps  = 4 // of 2^(1/4), 1.505 dB each: a factor of 2
)

// A coder drives the encoder around the faults of its version 0.1.0. Version 0.2.0
// cannot be used: it counts the side information of mono frames 8 bytes short.
type coder struct {
	fresh, enc *shine.Encoder
	frameBytes int // of an unpadded frame
	held       int // bytes of the last frame encoded that enc has not handed out yet
}

// newInput returns room for so many frames with spare room behind it. The encoder
// walks its input with an unsafe pointer and keeps it one sample past the end. A
// plain make([]int16, 1152) fills a 2304-byte size class exactly, so that pointer
// would lie in the next object, and the garbage collector ends the process ("found
// pointer to free object", which cannot be recovered) once that object is free.
// With spare room the pointer stays in this object.
func newInput(frames int) []int16 {
	n := frames * samplesPerFrame
	return make([]int16, n+8)[:n]
}

func newCoder(kbps int) (*coder, error) {
	index, ok := bitrateIndex(kbps)
	if !ok {
		return nil, fmt.Errorf("bit rate %d kbit/s is not one of 128, 160, 192, 224, 256, 320", kbps)
	}
	enc := shine.NewEncoder(sampleRateHz, 1)
	// The encoder knows only 128 kbit/s. Its slots are set to the whole bytes of
	// an unpadded frame, and the padding byte is added by us: its own padding is
	// counted in floating point, and at 320 kbit/s a padded frame is 2 bits more
	// than two granules can hold (4095 each), which it drops, so that every
	// later frame is shifted.
	enc.Mpeg.Bitrate = int64(kbps)
	enc.Mpeg.BitrateIndex = int64(index)
	enc.Mpeg.WholeSlotsPerFrame = int64(frameHeader(index, 0).size())
	enc.Mpeg.FracSlotsPerFrame = 0
	enc.Mpeg.Slot_lag = 0
	enc.Mpeg.Padding = 0
	return &coder{fresh: enc, enc: new(shine.Encoder), frameBytes: frameHeader(index, 0).size()}, nil
}

// begin forgets all that was encoded.
func (c *coder) begin() {
	*c.enc = *c.fresh
	c.held = 0
}

// encode encodes a segment from one of its frames on, behind what was encoded before. The
// encoder must be called with exactly one frame: given more, it skips every other one in
// mono. A panic inside the encoder comes back as an error.
func (c *coder) encode(s *segment, from int) (err error) {
	at := from
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("encoder failed: %v", p)
		}
		if err != nil {
			err = fmt.Errorf("encode frame %d: %w", max(0, s.first+int64(at-s.warm)), err)
		}
	}()
	all := s.warm + s.frames
	size := (all - from) * c.frameBytes
	s.out.Reset()
	s.out.Grow(size + c.frameBytes + 8)
	for ; at < all; at++ {
		if err := c.enc.Write(&s.out, s.frame(at)); err != nil {
			return err
		}
	}
	before := c.held
	c.held += size - s.out.Len()
	if c.held < 0 || c.held > 3 {
		return errBoundary
	}
	if c.held > 0 {
		// It hands out whole 32-bit words: the end of the last frame comes only with
		// one more, which a copy encodes, so that enc stays where it is.
		ahead := *c.enc
		if err := ahead.Write(&s.out, s.frame(all)); err != nil {
			return err
		}
	}
	s.coded = s.out.Bytes()[before:][:size]
	for at = from; at < all; at++ {
		frame := s.coded[(at-from)*c.frameBytes:][:c.frameBytes]
		if h := parseHeader(frame); !h.valid() || h.size() != c.frameBytes || h.channels() != 1 {
			return errBoundary
		}
		if err := raiseGain(frame); err != nil {
			return err
		}
	}
	return nil
}

var errBoundary = errors.New("encoder lost the frame boundary")

// padded adds so many bytes, 0 or 1, to a frame. A byte after the main data is
// ancillary: no decoder reads it, as no frame of ours reaches back into the one
// before.
func padded(frame []byte, n int) []byte {
	if n == 1 {
		frame[2] |= 2
		frame = append(frame, 0)
	}
	return frame
}

// settled reports whether both granules of a frame have big values, 9 bits in the
// place that raiseGain tells.
func settled(frame []byte) bool {
	for gr := range 2 {
		at := headerBytes*8 + 18 + gr*59 + 12
		word := uint16(frame[at/8])<<8 | uint16(frame[at/8+1])
		if word<<(at%8)>>7 == 0 {
			return false
		}
	}
	return true
}

// raiseGain adds gainSteps to global_gain of both granules of an unprotected
// MPEG-1 mono frame (ISO/IEC 11172-3 §2.4.1.7: main_data_begin 9, private 5 and
// scfsi 4 bits; then 59 bits a granule, with global_gain after part2_3_length 12
// and big_values 9).
func raiseGain(frame []byte) error {
	for gr := range 2 {
		at := headerBytes*8 + 18 + gr*59 + 21
		i, shift := at/8, 8-at%8
		word := uint16(frame[i])<<8 | uint16(frame[i+1])
		gain := word >> shift & 0xFF
		if gain > 0xFF-gainSteps {
			return errors.New("encoder asked for more gain than a frame can say")
		}
		word += gainSteps << shift
		frame[i], frame[i+1] = byte(word>>8), byte(word)
	}
	return nil
}
