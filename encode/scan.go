package encode

import (
	"fmt"
	"io"
	"math"
)

// A scanner steps through the Layer III frames between two offsets of a file,
// one after the other, past tags and past whatever is no frame. It reads the file once,
// front to back, in pieces, and never allocates by a size the file claims.
type scanner struct {
	r        io.ReaderAt
	pos, end int64
	err      error // the first read error, if any

	buf   []byte // the piece held, and where it lies in the file
	bufAt int64

	last header // of the frame before; 0 at the start
	// freeBytes is the size of an unpadded frame of the free format; 0 until the
	// first such frame is found.
	freeBytes int
	freeTries int // searches for it that found nothing
	stray     func(at, n int64)
	tags      tagBytes // passed on the way
}

// tagBytes counts the bytes of tags by kind.
type tagBytes struct{ id3v2, id3v1, ape int64 }

// A frame is a place in the file. Its bytes are valid until the scanner moves.
type frame struct {
	at   int64
	h    header
	size int
	kbps int
	data []byte // shorter than size if the file ends within the frame
}

const scanPiece = 1 << 16

func newScanner(r io.ReaderAt, from, to int64, stray func(at, n int64)) *scanner {
	return &scanner{r: r, pos: from, end: to, buf: make([]byte, 0, scanPiece), stray: stray}
}

// at returns n bytes at offset at, fewer where the range or the file ends.
func (s *scanner) at(at int64, n int) []byte {
	n = int(max(0, min(int64(n), s.end-at)))
	if at < s.bufAt || at+int64(n) > s.bufAt+int64(len(s.buf)) {
		want := min(int64(cap(s.buf)), s.end-at)
		got, err := s.r.ReadAt(s.buf[:want], at)
		if err != nil && err != io.EOF && s.err == nil {
			s.err = fmt.Errorf("read MP3: %w", err)
		}
		s.buf, s.bufAt = s.buf[:got], at
	}
	piece := s.buf[at-s.bufAt:]
	return piece[:min(n, len(piece))]
}

// headerAt returns the header at an offset, 0 if there is none.
func (s *scanner) headerAt(at int64) header {
	b := s.at(at, headerBytes)
	if len(b) < headerBytes {
		return 0
	}
	h := parseHeader(b)
	if h.valid() || h.wellFormed() && (s.freeBytes > 0 || s.findFree(at, h)) {
		return h
	}
	return 0
}

// maxFreeBytes bounds the search, our choice: 640 kbit/s at 32 kHz, twice the most
// that has a number, are 2880.
const maxFreeBytes = 2881

// maxFreeTries is after how many vain searches no more are made, our choice: what
// is no MP3 may look like the free format all over, and each search is long.
const maxFreeTries = 1000

// findFree looks for the size of the frames of a free format stream whose first is
// at an offset: two more headers must follow in the same distance.
func (s *scanner) findFree(at int64, h header) bool {
	if s.freeTries >= maxFreeTries {
		return false
	}
	s.freeTries++
	b := s.at(at, 2*maxFreeBytes+headerBytes)
	follows := func(n int) header {
		if n+headerBytes > len(b) {
			return 0
		}
		if next := parseHeader(b[n:]); next.wellFormed() && next.free() && next.sameKind(h) && next.mode() == h.mode() {
			return next
		}
		return 0
	}
	for n := headerBytes + h.sideInfoBytes(); n <= maxFreeBytes; n++ {
		second := follows(n)
		plain := n - h.padding()
		if second != 0 && follows(n+plain+second.padding()) != 0 {
			s.freeBytes = plain
			return true
		}
	}
	return false
}

// size returns the size of a frame with header h.
func (s *scanner) size(h header) int {
	if h.free() {
		return s.freeBytes + h.padding()
	}
	return h.size()
}

// kbps returns the bit rate of a frame with header h.
func (s *scanner) kbps(h header) int {
	if h.free() {
		return int(math.Round(float64(s.freeBytes) * 8 * float64(h.sampleRateHz()) / float64(h.samples()) / 1000))
	}
	return h.bitrateKbps()
}

// confirmed reports whether the frame with header h at an offset is followed by
// another of its kind, or ends the range exactly. A header alone is only 4 bytes,
// and every megabyte of noise holds dozens of them.
func (s *scanner) confirmed(at int64, h header) bool {
	size := s.size(h)
	b := s.at(at, size+headerBytes)
	if len(b) == size && at+int64(size) == s.end {
		return true
	}
	if len(b) < size+headerBytes {
		return false
	}
	next := parseHeader(b[size:])
	return next.wellFormed() && next.free() == h.free() && next.sameKind(h)
}

// next returns the next frame; ok is false at the end, or at a read error.
func (s *scanner) next() (f frame, ok bool) {
	from := s.pos
	for ; s.pos+headerBytes <= s.end && s.err == nil; s.pos++ {
		if n := s.tagAt(s.pos, s.pos == from); n > 0 {
			s.sayStray(from, s.pos)
			from = s.pos + n
			s.pos = from - 1
			continue
		}
		h := s.headerAt(s.pos)
		if h == 0 {
			continue
		}
		inStep := s.last != 0 && s.pos == from && h.sameKind(s.last)
		if !inStep && !s.confirmed(s.pos, h) {
			continue
		}
		s.sayStray(from, s.pos)
		f = frame{at: s.pos, h: h, size: s.size(h), kbps: s.kbps(h), data: s.at(s.pos, s.size(h))}
		s.pos += int64(len(f.data))
		s.last = h
		return f, s.err == nil
	}
	if s.err == nil {
		s.sayStray(from, s.end)
		s.pos = s.end
	}
	return frame{}, false
}

func (s *scanner) sayStray(from, to int64) {
	if to > from && s.stray != nil {
		s.stray(from, to-from)
	}
}
