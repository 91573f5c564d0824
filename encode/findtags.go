package encode

import (
	"encoding/binary"
	"fmt"
	"io"
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
	if b := t.read(t.from, id3v2Head); b != nil && string(b[:3]) == "ID3" && b[3] != 0xFF {
		n := int64(id3v2Head) + int64(b[6]&127)<<21 + int64(b[7]&127)<<14 + int64(b[8]&127)<<7 + int64(b[9]&127)
		if b[5]&0x10 != 0 {
			n += id3v2Head // a footer, in version 2.4
		}
		return t.take(&t.s.ID3v2Bytes, n)
	}
	if b := t.read(t.from, apeHead); b != nil && string(b[:8]) == "APETAGEX" {
		return t.take(&t.s.APEBytes, apeHead+int64(binary.LittleEndian.Uint32(b[12:])))
	}
	return false
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

// trailing does the same for the end: ID3v1, or an APEv2 footer, whose size
// counts the footer but not the header.
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
	return false
}
