package encode

import "encoding/binary"

// The shape of the files Write makes: which frames there are and how long each
// of them is. Write builds by these rules and Prove checks by them.

const (
	sampleRateHz    = 44100
	samplesPerFrame = 1152

	// encoderDelay is how many samples late the encoder's filter bank and MDCT
	// are; decoderDelay is the same for every decoder. Measured with an impulse:
	// sample 0 comes out of a plain decoder at 528+529 = 1057.
	encoderDelay = 528
	decoderDelay = 529
	codecDelay   = encoderDelay + decoderDelay

	// minFrames: mpg123 plays nothing of a file with a single audio frame.
	minFrames = 2
)

// frameCount returns how many audio frames n samples need, so that the last
// sample is still heard after the codec's delay.
func frameCount(n int64) int64 {
	return max(minFrames, (n+codecDelay+samplesPerFrame-1)/samplesPerFrame)
}

// endPadding returns how many samples the encoder added after n samples, as an
// Info tag counts them: frames·1152 − delay − padding = n.
func endPadding(n int64) int64 {
	return frameCount(n)*samplesPerFrame - encoderDelay - n
}

// bitrateIndex returns the header's index of an MPEG-1 Layer III bit rate of
// 128 to 320 kbit/s.
func bitrateIndex(kbps int) (index int, ok bool) {
	for i, k := range ratesKbpsMPEG1 {
		if k == kbps && k >= 128 {
			return i, true
		}
	}
	return 0, false
}

// frameHeader is the header of every frame we write: MPEG-1 Layer III, no CRC,
// 44.1 kHz, single channel, original, no emphasis. At 192 kbit/s FF FB B0 C4,
// padded FF FB B2 C4.
func frameHeader(bitrateIndex, padding int) header {
	return 0xFFFB00C4 | header(bitrateIndex)<<12 | header(padding)<<9
}

// A padder tells which frames of a constant bit rate carry a padding byte
// (ISO/IEC 11172-3 §2.4.2.3): the first does not; from then on the rest of the
// division 144·bitrate/44100 is subtracted, and a byte is added whenever the
// balance falls below zero. The Info frame does not take part.
type padder struct {
	dif, rest int64
	begun     bool
}

func newPadder(kbps int) *padder {
	return &padder{dif: 144000 * int64(kbps) % sampleRateHz}
}

// next returns the padding, 0 or 1 byte, of the next audio frame.
func (p *padder) next() int {
	if !p.begun {
		p.begun = true
		return 0
	}
	p.rest -= p.dif
	if p.rest >= 0 {
		return 0
	}
	p.rest += sampleRateHz
	return 1
}

// crc16 continues a CRC-16/ARC (polynomial 0x8005 reflected, start 0) over b, eight
// bytes at a time. It is the sum of the Info tag; check value BB3D for "123456789".
func crc16(crc uint16, b []byte) uint16 {
	t := &crc16Tables
	for ; len(b) >= 8; b = b[8:] {
		x := binary.LittleEndian.Uint64(b) ^ uint64(crc)
		crc = t[7][byte(x)] ^ t[6][byte(x>>8)] ^ t[5][byte(x>>16)] ^ t[4][byte(x>>24)] ^
			t[3][byte(x>>32)] ^ t[2][byte(x>>40)] ^ t[1][byte(x>>48)] ^ t[0][byte(x>>56)]
	}
	for _, v := range b {
		crc = crc>>8 ^ t[0][byte(crc)^v]
	}
	return crc
}

// crc16Tables holds for n and v the sum of the byte v with n zeros behind it.
var crc16Tables = func() (tables [8][256]uint16) {
	for i := range tables[0] {
		crc := uint16(i)
		for range 8 {
			if crc&1 == 1 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
		tables[0][i] = crc
	}
	for n := 1; n < 8; n++ {
		for i, crc := range tables[n-1] {
			tables[n][i] = crc>>8 ^ tables[0][byte(crc)]
		}
	}
	return tables
}()
