package encode

import (
	"encoding/binary"
	"strings"
	"unicode"
	"unicode/utf16"
)

// Tags are the words written into the file. An empty one is left out. Control
// characters and characters that turn the writing direction are dropped, and a
// text is cut after 250 characters.
type Tags struct {
	Title    string
	Album    string // the book
	Artist   string // the author
	Narrator string // goes into the composer's frame, as is the custom
	Track    string // "3" or "3/12"
	Genre    string
	Year     string // four digits
	// Language is three letters of ISO 639-2, such as eng.
	Language  string
	Publisher string
	Encoder   string // the program that made the file
	// Cover is a JPEG or PNG. One with a CoverProblem is left out.
	Cover []byte
}

// maxTagRunes is our choice: longer texts are a mistake, and some players stop
// at 255 bytes.
const maxTagRunes = 250

// id3v2 returns the ID3v2.3 tag (id3.org, ID3v2.3.0 §3.1 header, §3.3 frames, §4.2 text
// frames), or nothing if no text and no cover is left. Version 2.3 rather than 2.4, because
// more players read it.
func (t Tags) id3v2() []byte {
	var frames []byte
	for _, f := range []struct{ id, text string }{
		{"TIT2", t.Title},
		{"TALB", t.Album},
		{"TPE1", t.Artist},
		{"TCOM", t.Narrator},
		{"TRCK", t.Track},
		{"TCON", t.Genre},
		{"TYER", t.Year},
		{"TLAN", t.Language},
		{"TPUB", t.Publisher},
		{"TSSE", t.Encoder},
	} {
		if text := cleanTag(f.text); text != "" {
			frames = appendFrame(frames, f.id, encodeText(text))
		}
	}
	if len(t.Cover) > 0 && CoverProblem(t.Cover) == "" {
		frames = appendFrame(frames, "APIC", pictureBody(t.Cover))
	}
	if frames == nil {
		return nil
	}
	n := len(frames) // four times 7 bits
	head := []byte{'I', 'D', '3', 3, 0, 0, byte(n >> 21 & 127), byte(n >> 14 & 127), byte(n >> 7 & 127), byte(n & 127)}
	return append(head, frames...)
}

// appendFrame appends a frame without flags. Its size is a plain number, not one of 7 bits
// a byte as the tag's.
func appendFrame(frames []byte, id string, body []byte) []byte {
	frames = append(frames, id...)
	frames = binary.BigEndian.AppendUint32(frames, uint32(len(body)))
	frames = append(frames, 0, 0)
	return append(frames, body...)
}

// cleanTag makes s one line of plain text.
func cleanTag(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' ' // line ends and tabs as well
		case unicode.IsControl(r), unicode.Is(unicode.Bidi_Control, r), r == '\uFEFF':
			return -1
		}
		return r
	}, s)
	s = strings.TrimSpace(s)
	if runes := []rune(s); len(runes) > maxTagRunes {
		s = strings.TrimSpace(string(runes[:maxTagRunes]))
	}
	return s
}

// encodeText returns the encoding byte and the text with its end: ISO-8859-1 for
// plain ASCII, UTF-16 with a byte-order mark otherwise. UTF-8 is not part of
// version 2.3.
func encodeText(s string) []byte {
	ascii := strings.IndexFunc(s, func(r rune) bool { return r > unicode.MaxASCII }) < 0
	if ascii {
		return append(append([]byte{0}, s...), 0)
	}
	b := []byte{1, 0xFF, 0xFE}
	for _, u := range utf16.Encode([]rune(s)) {
		b = binary.LittleEndian.AppendUint16(b, u)
	}
	return append(b, 0, 0)
}
