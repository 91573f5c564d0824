package encode

import (
	"errors"
	"fmt"
	"io"

	"lectern/encode/layer3"
)

// A Decoder turns an MP3 into samples, frame by frame as Walk found them. Neither
// tags nor stray bytes nor the Info frame get into it.
type Decoder struct {
	scan  *scanner
	info  bool // the next frame is the Info frame
	found []Damage
	skip  int64 // samples still to leave out
	left  int64 // samples still to deliver

	dec     layer3.Decoder
	frames  int64       // decoded
	seconds float64     // of them
	frameS  float64     // of the last
	block   [][]float32 // a channel each, one frame
	ready   [][]float32 // what is left of it
	broken  brokenLog

	// Silenced counts frames that could not be decoded and came out as silence.
	Silenced int64
}

// NewDecoder decodes the MP3 in r that Walk has found to be s. The delay and
// padding of an encoder are left out where an Info tag tells them; otherwise
// every sample comes. Of a damaged file the whole frames come, with silence for
// those whose inside is broken.
func NewDecoder(r io.ReaderAt, s Stream) (*Decoder, error) {
	if s.Frames == 0 {
		return nil, ErrNoMP3
	}
	d := &Decoder{
		info:  s.Info != nil,
		found: s.Damage,
		skip:  s.skip,
		left:  s.Samples,
		block: make([][]float32, s.Channels),
		ready: make([][]float32, s.Channels),
	}
	// Where frames are missing, none after them can lean on what came before.
	d.scan = newScanner(r, s.AudioOffset, s.AudioOffset+s.AudioBytes, func(int64, int64) { d.dec.Gap() })
	for ch := range d.block {
		d.block[ch] = make([]float32, layer3.SamplesPerFrame)
	}
	return d, nil
}

// Channels returns 1 or 2.
func (d *Decoder) Channels() int { return len(d.block) }

// Read fills dst, one slice a channel, with samples of full scale 1.0, and
// returns how many each got. Nothing is rounded or limited: overs are seen. At the
// end it returns 0 and io.EOF.
func (d *Decoder) Read(dst [][]float32) (n int, err error) {
	if len(dst) != len(d.block) {
		return 0, fmt.Errorf("decode MP3: %d slices for %d channels", len(dst), len(d.block))
	}
	if d.left == 0 {
		return 0, io.EOF
	}
	for len(d.ready[0]) == 0 {
		if err := d.nextFrame(); err != nil {
			return 0, err
		}
	}
	n = int(min(int64(len(dst[0])), int64(len(d.ready[0])), d.left))
	for ch := range dst {
		copy(dst[ch][:n], d.ready[ch])
		d.ready[ch] = d.ready[ch][n:]
	}
	d.left -= int64(n)
	return n, nil
}

// Damage lists the places where the file is damaged: those that Walk found, and
// where the inside of frames read so far is broken. What breaks one frame often
// breaks the next too, which counts as one place.
func (d *Decoder) Damage() []Damage { return withBroken(d.found, &d.broken, d.frameS) }

// nextFrame decodes one frame into d.ready, less the samples to skip.
func (d *Decoder) nextFrame() error {
	f, ok := d.scan.next()
	if ok && d.info {
		d.info = false
		f, ok = d.scan.next()
	}
	if d.scan.err != nil {
		return d.scan.err
	}
	if !ok || len(f.data) < f.size {
		return fmt.Errorf("decode MP3: %w", io.ErrUnexpectedEOF)
	}
	n, err := d.dec.Frame(d.block, f.data)
	if n == 0 {
		return fmt.Errorf("decode MP3: %w", err)
	}
	d.frameS = float64(n) / float64(f.h.sampleRateHz())
	if err == nil && peak(d.block, n) > loudest {
		err = errTooLoud
	}
	if err != nil {
		d.broken.add(d.frames, f.at, d.seconds, d.seconds+d.frameS, err)
		if err != layer3.ErrCRC && err != errTooLoud {
			d.Silenced++
		}
	}
	d.frames++
	d.seconds += d.frameS
	if f.h.channels() < len(d.block) {
		copy(d.block[1], d.block[0])
	}
	skip := int(min(d.skip, int64(n)))
	d.skip -= int64(skip)
	for ch := range d.block {
		d.ready[ch] = d.block[ch][skip:n]
	}
	return nil
}

// loudest is the largest sample believed, our choice: 12 dB over full scale. An
// encoder fed with full scale overshoots by a few dB; a broken bit in the gain of a
// frame is worth up to 192.
const loudest = 4

var errTooLoud = errors.New("the frame is far louder than full scale")

// peak returns the largest of the first n samples of all channels.
func peak(block [][]float32, n int) (most float32) {
	for _, ch := range block {
		for _, v := range ch[:n] {
			most = max(most, v, -v)
		}
	}
	return most
}

// reach returns main_data_begin: how many bytes before this frame its main data
// starts (ISO/IEC 11172-3 §2.4.1.7: 9 bits; 8 in MPEG-2).
func reach(side []byte, h header) int {
	if h.version() == mpeg1 {
		return int(side[0])<<1 | int(side[1])>>7
	}
	return int(side[0])
}
