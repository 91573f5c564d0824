package layer3

// A reservoir holds the main data of the frame in hand and what a later one can
// reach back for: 511 bytes (§2.4.2.7).
type reservoir struct {
	buf  []byte // main data, then padBytes
	held int    // bytes of main data
}

const maxReach = 511

// add appends a frame's own main data, lets go of what no frame can reach any
// more, and returns where in buf the frame's main data begins; ok is false if
// some of it is not there.
func (r *reservoir) add(own []byte, reach int) (begin int, ok bool) {
	keep := min(r.held, maxReach)
	size := keep + len(own) + padBytes
	if cap(r.buf) < size {
		grown := make([]byte, size, size+2048)
		copy(grown, r.buf[r.held-keep:r.held])
		r.buf = grown
	} else {
		copy(r.buf[:keep], r.buf[r.held-keep:r.held])
		r.buf = r.buf[:size]
	}
	copy(r.buf[keep:], own)
	r.held = keep + len(own)
	clear(r.buf[r.held:])
	return keep - reach, reach <= keep
}

func (r *reservoir) reset() { r.held = 0 }
