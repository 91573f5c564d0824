package encode

import (
	"bytes"
	"encoding/binary"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/dhowden/tag"
)

func TestCRC16(t *testing.T) {
	// the published check value of CRC-16/ARC
	if got := crc16(0, []byte("123456789")); got != 0xBB3D {
		t.Errorf("crc16 = %04X, want BB3D", got)
	}
	if got := crc16(crc16(0, []byte("1234")), []byte("56789")); got != 0xBB3D {
		t.Errorf("in two parts %04X, want BB3D", got)
	}
	// Eight bytes at a time is bit by bit, the polynomial written as it is reflected.
	r := rand.New(rand.NewPCG(7, 8))
	for n := range 70 {
		b := make([]byte, n)
		start := uint16(r.Uint32())
		want := start
		for i := range b {
			b[i] = byte(r.Uint32())
			want ^= uint16(b[i])
			for range 8 {
				want = want>>1 ^ want&1*0xA001
			}
		}
		if got := crc16(start, b); got != want {
			t.Errorf("%d bytes: %04X, want %04X", n, got, want)
		}
	}
}

func TestPaddingPattern(t *testing.T) {
	// 192 kbit/s at 44.1 kHz: 0, 16 times 1, 0, 15 times 1, 0, 15 times 1, and
	// again: 46 of 49, 30720 bytes (ISO/IEC 11172-3 §2.4.2.3).
	cycle := "0" + strings.Repeat("1", 16) + "0" + strings.Repeat("1", 15) + "0" + strings.Repeat("1", 15)
	p := newPadder(192)
	bytes := 0
	for i := range 49 * 3 {
		pad := p.next()
		if want := int(cycle[i%49] - '0'); pad != want {
			t.Fatalf("frame %d: padding %d, want %d", i, pad, want)
		}
		bytes += frameHeader(11, pad).size()
	}
	if bytes != 3*30720 {
		t.Errorf("147 frames are %d bytes, want %d", bytes, 3*30720)
	}
	if plain, padded := frameHeader(11, 0), frameHeader(11, 1); plain != 0xFFFBB0C4 || padded != 0xFFFBB2C4 {
		t.Errorf("headers %08X and %08X, want FFFBB0C4 and FFFBB2C4", uint32(plain), uint32(padded))
	}
	// The rate holds over two hours, for every bit rate.
	for _, kbps := range []int64{128, 160, 192, 224, 256, 320} {
		index, _ := bitrateIndex(int(kbps))
		p, sum := newPadder(int(kbps)), int64(0)
		const frames = 275_625 // 2 h
		for range frames {
			sum += int64(frameHeader(index, p.next()).size())
		}
		if want := kbps * 125 * 7200; sum < want-1 || sum > want+1 {
			t.Errorf("%d kbit/s: 2 h are %d bytes, want %d", kbps, sum, want)
		}
	}
}

func TestInfoFrame(t *testing.T) {
	x := limitedSpeech(44100, 0.5)
	opt := Options{BitrateKbps: 192, Tags: Tags{Title: "The Ferry"}}
	path, w := written(t, x, opt)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b = b[len(opt.Tags.id3v2()):]
	u32 := func(at int) uint32 { return binary.BigEndian.Uint32(b[at:]) }
	u16 := func(at int) uint16 { return binary.BigEndian.Uint16(b[at:]) }
	// Offsets from the frame's start, MPEG-1 mono (Info tag note,
	// gabriel.mp3-tech.org).
	for name, c := range map[string][2]any{
		"header":         {u32(0), uint32(0xFFFBB0C4)},
		"word":           {string(b[21:25]), "Info"},
		"flags":          {u32(25), uint32(15)},
		"frames":         {u32(29), uint32(40)},
		"bytes":          {u32(33), uint32(len(b))},
		"encoder":        {string(b[141:150]), "Lectern  "},
		"method":         {b[150], byte(1)},
		"lowest rate":    {b[161], byte(192)},
		"delay, padding": {u32(161) & 0xFFFFFF, uint32(528<<12 | 40*1152 - 528 - 44100)},
		"music length":   {u32(169), uint32(len(b))},
		"music CRC":      {u16(173), crc16(0, b[626:])},
		"tag CRC":        {u16(175), crc16(0, b[:175])},
	} {
		if c[0] != c[1] {
			t.Errorf("%s: %v, want %v", name, c[0], c[1])
		}
	}
	if len(b) != 25703 { // 44100 samples, the size table's first row
		t.Errorf("%d bytes, want 25703", len(b))
	}
	for i := 1; i < 100; i++ {
		if toc := b[37+i]; toc <= b[36+i] || int(toc) != i*256/100 {
			t.Errorf("table of contents at %d %%: %d", i, toc)
		}
	}
	s, _ := walked(t, path)
	if i := s.Info; i == nil || !i.TagCRCHolds || !i.HasDelay || i.DelaySamples != 528 || i.Frames != w.Frames || i.Encoder != "Lectern" {
		t.Errorf("read back: %+v", s.Info)
	}
}

func TestInfoTagOfOthers(t *testing.T) {
	// 44100 samples: 40 frames, 25703 bytes, delay 576, padding 1404 = 24 05 7C
	frame := make([]byte, 626)
	binary.BigEndian.PutUint32(frame, 0xFFFBB0C4)
	copy(frame[21:], "Info\x00\x00\x00\x0F\x00\x00\x00\x28\x00\x00\x64\x67")
	copy(frame[141:], "ENC1.00")
	copy(frame[162:], "\x24\x05\x7C")
	i := parseInfo(frame)
	if i == nil || i.Frames != 40 || i.Bytes != 25703 || i.DelaySamples != 576 || i.PaddingSamples != 1404 || i.TagCRCHolds {
		t.Fatalf("read %+v", i)
	}
	if skip, n := heard(40*1152, 1152, i); skip != 1105 || n != 44100 {
		t.Errorf("skip %d, take %d; want 1105, 44100", skip, n)
	}
	// cut in half: what is left, less the delay
	if skip, n := heard(20*1152, 1152, i); skip != 1105 || n != 20*1152-1105 {
		t.Errorf("of half the file skip %d, take %d", skip, n)
	}
	for n := range len(frame) { // no length may panic
		parseInfo(frame[:n])
	}
}

func TestTagsReadBack(t *testing.T) {
	tags := Tags{
		Title: "03 The Ferry", Album: "A Ledger of Small Tides", Artist: "Odile Marsh", Narrator: "Tam Verrall – 読み手 🌊",
		Track: "3/12", Genre: "Spoken word", Year: "2026", Encoder: "Lectern",
	}
	path, _ := written(t, make([]float32, 5000), Options{BitrateKbps: 192, Tags: tags})
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	m, err := tag.ReadFrom(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	track, of := m.Track()
	if m.Format() != tag.ID3v2_3 || m.Title() != tags.Title || m.Album() != tags.Album || m.Artist() != tags.Artist ||
		m.Composer() != tags.Narrator || track != 3 || of != 12 || m.Genre() != tags.Genre || m.Year() != 2026 || m.Raw()["TSSE"] != "Lectern" {
		t.Errorf("read back %v", m.Raw())
	}
	if s, _ := walked(t, path); s.ID3v2Bytes != int64(len(tags.id3v2())) || s.AudioOffset != s.ID3v2Bytes {
		t.Errorf("walk finds %d bytes of tag, audio at %d; want %d", s.ID3v2Bytes, s.AudioOffset, len(tags.id3v2()))
	}
}

func TestTagText(t *testing.T) {
	for in, want := range map[string]string{
		"plain":                          "plain",
		"  two\r\nlines\t ":              "two  lines",
		"bell\x07 \u0085del\x7f":         "bell  del",
		"turn\u202Eed \u2066round\u2069": "turned round",
		"\ufeffmark":                     "mark",
		"bad \xff byte":                  "bad \uFFFD byte",
		"\x00\x01":                       "",
	} {
		if got := cleanTag(in); got != want {
			t.Errorf("%q becomes %q, want %q", in, got, want)
		}
	}
	if n := utf8.RuneCountInString(cleanTag(strings.Repeat("ü", 400))); n != 250 {
		t.Errorf("cut to %d characters, want 250", n)
	}
	if b := (Tags{Title: "\x01 "}).id3v2(); b != nil {
		t.Errorf("an empty tag has %d bytes", len(b))
	}
	// a frame of 128 bytes and more: its size is a plain number in version 2.3
	b := (Tags{Title: strings.Repeat("a", 200)}).id3v2()
	if binary.BigEndian.Uint32(b[14:]) != 202 || b[8] != 1 || b[9] != 84 {
		t.Errorf("sizes % x, % x; want 202 plain, 212 in 7-bit bytes", b[14:18], b[6:10])
	}
	if got := encodeText("Ü"); !bytes.Equal(got, []byte{1, 0xFF, 0xFE, 0xDC, 0, 0, 0}) {
		t.Errorf("Ü is written % x", got)
	}
}
