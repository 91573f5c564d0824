package encode

import (
	"encoding/binary"
	"fmt"
	"io"
	"strconv"
)

const (
	id3v2Head = 10
	id3v1Size = 128
	apeHead   = 32
)

// findTags measures the tags at both ends of a file and returns the range
// between them. A tag that claims more than the file holds is damage, and its
// claim is not believed.
func findTags(r io.ReaderAt, size int64) (s Stream, from, to int64, err error) {
	t := tagFinder{r: r, to: size}
	for t.leading() {
	}
	for t.trailing() {
	}
	return t.s, t.from, t.to, t.err
}

type tagFinder struct {
	s        Stream
	r        io.ReaderAt
	from, to int64
	err      error
}

// read returns n bytes at an offset, or nil if they do not lie between from and
// to.
func (t *tagFinder) read(at int64, n int) []byte {
	if t.err != nil || at < t.from || at+int64(n) > t.to {
		return nil
	}
	b := make([]byte, n)
	if _, err := t.r.ReadAt(b, at); err == io.EOF {
		return nil // shorter than its size said
	} else if err != nil {
		t.err = fmt.Errorf("read MP3 tags: %w", err)
		return nil
	}
	return b
}

// leading steps over one tag at the front, and reports whether it found one.
func (t *tagFinder) leading() bool {
	if n := id3v2Size(t.read(t.from, id3v2Head)); n > 0 {
		return t.take(&t.s.ID3v2Bytes, n)
	}
	if b := t.read(t.from, apeHead); b != nil && string(b[:8]) == "APETAGEX" {
		return t.take(&t.s.APEBytes, apeHead+int64(binary.LittleEndian.Uint32(b[12:])))
	}
	return false
}

// id3v2Size returns the size of the ID3v2 tag whose head is b (id3.org, ID3v2.4.0
// §3.1: the size is four times 7 bits, whatever the version and whether or not the
// tag is unsynchronised), 0 if it is none.
func id3v2Size(b []byte) int64 {
	if len(b) < id3v2Head || string(b[:3]) != "ID3" || b[3] == 0xFF || b[4] == 0xFF || (b[6]|b[7]|b[8]|b[9])&0x80 != 0 {
		return 0
	}
	n := int64(id3v2Head) + int64(b[6])<<21 + int64(b[7])<<14 + int64(b[8])<<7 + int64(b[9])
	if b[5]&0x10 != 0 {
		n += id3v2Head // a footer, in version 2.4
	}
	return n
}

// tagAt returns the size of a tag that lies between frames, as where two files
// were joined, and counts it; 0 if there is none. Only in step with the frames
// before is an ID3v1 tag believed, whose mark is three letters and no more.
func (s *scanner) tagAt(at int64, inStep bool) (n int64) {
	b := s.at(at, apeHead)
	if len(b) < headerBytes || b[0] != 'I' && b[0] != 'T' && b[0] != 'A' {
		return 0
	}
	var sum *int64
	switch {
	case b[0] == 'I':
		n, sum = id3v2Size(b), &s.tags.id3v2
	case string(b[:3]) == "TAG" && inStep && s.last != 0:
		n, sum = id3v1Size, &s.tags.id3v1
	case len(b) == apeHead && string(b[:8]) == "APETAGEX" && b[23]&0x20 != 0: // a head
		n, sum = apeHead+int64(binary.LittleEndian.Uint32(b[12:])), &s.tags.ape
	}
	if n == 0 || at+n > s.end {
		return 0
	}
	*sum += n
	return n
}

func (t *tagFinder) take(sum *int64, n int64) bool {
	if t.from+n > t.to {
		t.s.DamageCount++
		t.s.Damage = append(t.s.Damage, Damage{Offset: t.from, Says: "the tag at the front claims to be longer than the file"})
		return false
	}
	t.from += n
	*sum += n
	return true
}

// trailing does the same for the end: ID3v1, an APEv2 footer, whose size counts
// the footer but not the header, or Lyrics3v2, whose size counts neither itself nor
// its closing word.
func (t *tagFinder) trailing() bool {
	if b := t.read(t.to-id3v1Size, 3); b != nil && string(b) == "TAG" && t.s.ID3v1Bytes == 0 {
		t.to -= id3v1Size
		t.s.ID3v1Bytes = id3v1Size
		return true
	}
	if b := t.read(t.to-apeHead, apeHead); b != nil && string(b[:8]) == "APETAGEX" {
		n := int64(binary.LittleEndian.Uint32(b[12:]))
		if b[23]&0x80 != 0 {
			n += apeHead
		}
		if n < apeHead || t.to-n < t.from {
			return false // it counts as stray bytes
		}
		t.to -= n
		t.s.APEBytes += n
		return true
	}
	const lyricsEnd = len("000000LYRICS200")
	if b := t.read(t.to-int64(lyricsEnd), lyricsEnd); b != nil && string(b[6:]) == "LYRICS200" {
		size, err := strconv.ParseUint(string(b[:6]), 10, 32)
		n := int64(size) + int64(lyricsEnd)
		if err != nil || t.to-n < t.from {
			return false
		}
		t.to -= n
		t.s.LyricsBytes += n
		return true
	}
	return false
}
