package layer3

import "encoding/binary"

// A bitReader takes bits from the front of buf, the most significant first. buf
// ends with at least padBytes that are not its own, so that 8 bytes can be read
// from any place in it.
type bitReader struct {
	buf []byte
	pos int // in bits
}

const padBytes = 40

// window returns 57 bits or more from bit pos on, at the top of the word; the
// rest of it is zero.
func window(buf []byte, pos int) uint64 {
	return binary.BigEndian.Uint64(buf[pos>>3:]) << (pos & 7)
}

// take returns the next n bits, 32 at most.
func (r *bitReader) take(n int) int {
	v := int(window(r.buf, r.pos) >> (64 - n))
	r.pos += n
	return v
}

func (r *bitReader) flag() bool { return r.take(1) == 1 }
