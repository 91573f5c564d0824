package layer3

import (
	"encoding/binary"
	"errors"
)

// What can be wrong with a frame.
var (
	// ErrHeader: there is no Layer III header in front. No samples come.
	ErrHeader = errors.New("no Layer III frame")
	// ErrShort: the frame ends within its side information.
	ErrShort = errors.New("the frame is cut short")
	// ErrSideInfo: the side information says what cannot be.
	ErrSideInfo = errors.New("the side information of the frame is broken")
	// ErrReservoir: main data that lies in frames before is not there.
	ErrReservoir = errors.New("the frame leans on a frame before that is missing")
	// ErrHuffman: the code words do not fit the length told for them.
	ErrHuffman = errors.New("the sound data of the frame is broken")
	// ErrCRC: the checksum is wrong. The frame is decoded nevertheless, for there
	// are encoders that get the sum wrong.
	ErrCRC = errors.New("the checksum of the frame is wrong")
)

// SamplesPerFrame is the most samples a frame has for each channel.
const SamplesPerFrame = 1152

// A Decoder holds what frames leave for the ones after them. The zero value is
// ready for a first frame.
type Decoder struct {
	side    sideInfo
	main    reservoir
	factors [2]scalefactors
	spectra [2][2]spectrum // by granule and channel
	hybrid  [2]hybrid
	filter  [2]synthesis
	slots   [18][32]float32
}

// Reset forgets all frames before.
func (d *Decoder) Reset() {
	d.main.reset()
	d.hybrid = [2]hybrid{}
	d.filter = [2]synthesis{}
}

// Gap tells that frames are missing before the next one: it cannot reach back
// over them.
func (d *Decoder) Gap() { d.main.reset() }

// Frame decodes one whole frame, header and padding included, and fills dst, a
// slice of SamplesPerFrame for each of its one or two channels, with samples of
// full scale 1.0. It returns how many each got: 1152, or 576 in MPEG-2 and 2.5.
//
// A frame that is broken inside gives as many samples as a whole one, and an
// error that tells what is wrong with it (ErrShort, ErrSideInfo, ErrReservoir,
// ErrHuffman): it fades out from the frame before to silence. Decoding goes on
// with the next frame. Only for ErrHeader, and where dst has fewer slices than
// the frame channels, no samples come.
func (d *Decoder) Frame(dst [][]float32, data []byte) (samples int, err error) {
	k, ok := parseHeader(data)
	if !ok || len(dst) < k.channels {
		return 0, ErrHeader
	}
	err = d.read(data, k)
	if err != nil && err != ErrCRC {
		for gr := range k.granules() {
			for ch := range k.channels {
				d.spectra[gr][ch] = spectrum{}
			}
		}
	}
	for gr := range k.granules() {
		for ch := range k.channels {
			d.hybrid[ch].granule(&d.spectra[gr][ch], &d.side.granule[gr][ch], &bandsOf[k.rate], &d.slots)
			d.filter[ch].slots(dst[ch][gr*lines:][:lines], &d.slots)
		}
	}
	return k.granules() * lines, err
}

// read decodes a frame as far as its spectra.
func (d *Decoder) read(data []byte, k kind) error {
	at := headerBytes
	if k.crc {
		at += crcBytes
	}
	if len(data) < at+k.sideBytes() {
		d.side = sideInfo{}
		d.main.reset() // what comes next cannot reach over the gap
		return ErrShort
	}
	damaged := parseSideInfo(&d.side, data[at:], k)
	begin, ok := d.main.add(data[at+k.sideBytes():], d.side.mainDataBegin)
	if damaged != nil {
		d.side = sideInfo{}
		return damaged
	}
	if !ok {
		return ErrReservoir
	}
	if err := d.readMain(begin*8, k); err != nil {
		return err
	}
	if k.crc && binary.BigEndian.Uint16(data[headerBytes:]) != crc(data, k) {
		return ErrCRC
	}
	return nil
}

// readMain decodes the main data that begins at a bit of the reservoir.
func (d *Decoder) readMain(pos int, k kind) error {
	b := &bandsOf[k.rate]
	for gr := range k.granules() {
		for ch := range k.channels {
			g := &d.side.granule[gr][ch]
			end := pos + g.bits
			if end > d.main.held*8 {
				return ErrHuffman
			}
			factors := &d.factors[ch]
			r := bitReader{d.main.buf, pos}
			if k.lsf {
				factors.readLSF(&r, g, k.intensity && ch == 1)
			} else {
				factors.read(&r, g, &d.side.reuse[ch], gr == 1)
			}
			if r.pos > end {
				return ErrHuffman
			}
			var gains [maxBands]float32
			ends, longBands := b.layout(g)
			factors.gains(&gains, g, len(ends), longBands)
			if err := d.spectra[gr][ch].read(d.main.buf, r.pos, end, g, ends, &gains); err != nil {
				return err
			}
			pos = end
		}
		if k.channels == 2 {
			joint(&d.spectra[gr][0], &d.spectra[gr][1], k, &d.side.granule[gr][1], &d.factors[1], b)
		}
	}
	return nil
}
