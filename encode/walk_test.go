package encode

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
)

// aFile returns a sound MP3 of ours: 39 audio frames after an Info frame.
func aFile(t testing.TB) []byte {
	t.Helper()
	path, _ := written(t, limitedSpeech(43_000, 0.6), at192)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func walkBytes(b []byte) (Stream, error) { return Walk(bytes.NewReader(b), int64(len(b))) }

// decodeBytes returns how many samples come out, and the largest.
func decodeBytes(b []byte, s Stream) (n int64, peak float32, d *Decoder, err error) {
	if d, err = NewDecoder(bytes.NewReader(b), s); err != nil {
		return 0, 0, nil, err
	}
	block := make([][]float32, d.Channels())
	for i := range block {
		block[i] = make([]float32, 700)
	}
	for {
		k, err := d.Read(block)
		if err == io.EOF {
			return n, peak, d, nil
		}
		if err != nil {
			return n, peak, d, err
		}
		n += int64(k)
		for _, ch := range block {
			for _, v := range ch[:k] {
				peak = max(peak, v, -v)
			}
		}
	}
}

func TestWalkTags(t *testing.T) {
	b := aFile(t)
	id3v1 := append([]byte("TAG"), make([]byte, 125)...)
	ape := func(head bool) []byte {
		part := append([]byte("APETAGEX\xD0\x07\x00\x00\x2A\x00\x00\x00\x01\x00\x00\x00"), make([]byte, 12)...)
		if !head {
			return append(make([]byte, 10), part...)
		}
		part[23] = 0x80
		return append(append(append([]byte(nil), part...), make([]byte, 10)...), part...)
	}
	id3 := func(footer byte) []byte {
		tag := append([]byte{'I', 'D', '3', 4, 0, footer, 0, 0, 1, 2}, bytes.Repeat([]byte{0xFF, 0xFB, 0xB0, 0xC4, 0}, 26)...)
		if footer != 0 {
			tag = append(tag, []byte("3DI\x04\x00\x10\x00\x00\x01\x02")...)
		}
		return tag
	}
	for name, c := range map[string]struct {
		file             []byte
		v2, v1, a, stray int64
	}{
		"none":           {b, 0, 0, 0, 0},
		"ID3v2":          {bytes.Join([][]byte{id3(0), b}, nil), 140, 0, 0, 0},
		"two ID3v2":      {bytes.Join([][]byte{id3(0x10), id3(0), b}, nil), 290, 0, 0, 0},
		"ID3v1":          {bytes.Join([][]byte{b, id3v1}, nil), 0, 128, 0, 0},
		"APE":            {bytes.Join([][]byte{b, ape(false)}, nil), 0, 0, 42, 0},
		"APE and ID3v1":  {bytes.Join([][]byte{b, ape(true), id3v1}, nil), 0, 128, 74, 0},
		"APE in front":   {bytes.Join([][]byte{ape(true), b}, nil), 0, 0, 74, 0},
		"junk in front":  {bytes.Join([][]byte{make([]byte, 77), b}, nil), 0, 0, 0, 77},
		"junk at end":    {bytes.Join([][]byte{b, make([]byte, 1000)}, nil), 0, 0, 0, 1000},
		"a tag too long": {bytes.Join([][]byte{{'I', 'D', '3', 4, 0, 0, 127, 127, 127, 127}, b}, nil), 0, 0, 0, 10},
	} {
		s, err := walkBytes(c.file)
		if err != nil || s.Frames != 39 || s.Samples != 43_000 || s.ID3v2Bytes != c.v2 || s.ID3v1Bytes != c.v1 || s.APEBytes != c.a || s.StrayBytes != c.stray {
			t.Errorf("%s: %v, %d frames, %d samples, tags of %d, %d, %d bytes, %d stray; want 39, 43000, %d, %d, %d, %d",
				name, err, s.Frames, s.Samples, s.ID3v2Bytes, s.ID3v1Bytes, s.APEBytes, s.StrayBytes, c.v2, c.v1, c.a, c.stray)
		}
		if (c.stray != 0) != (s.DamageCount != 0) || len(s.Damage) != s.DamageCount {
			t.Errorf("%s: damage %v", name, s.Damage)
		}
		if n, _, _, err := decodeBytes(c.file, s); n != 43_000 || err != nil {
			t.Errorf("%s: %d samples decode, %v", name, n, err)
		}
	}
}

// Tags between frames, as where files were joined, are tags and no damage; that
// more follows than the first frame tells is told.
func TestWalkJoined(t *testing.T) {
	b := aFile(t)
	id3v1 := append([]byte("TAG"), make([]byte, 125)...)
	id3v2 := append([]byte{'I', 'D', '3', 3, 0, 0x80, 0, 0, 1, 2}, bytes.Repeat([]byte{0xFF, 0xFB, 0xB0, 0xC4, 0}, 26)...)
	ape := append([]byte("APETAGEX\xD0\x07\x00\x00\x20\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\xA0"), make([]byte, 8+32)...)
	lyrics := []byte("LYRICSBEGININDxxx000017LYRICS200")
	for name, c := range map[string]struct {
		file              []byte
		tags              int64
		frames, places    int64
		samples, surplusS float64
	}{
		"tag appended":         {slices.Concat(b, id3v2), 140, 39, 0, 43_000, 0},
		"lyrics and ID3v1":     {slices.Concat(b, lyrics, id3v1), 128 + 32, 39, 0, 43_000, 0},
		"two with tags":        {slices.Concat(id3v2, b, id3v1, id3v2, b, id3v1), 2*140 + 2*128, 79, 1, 79*1152 - 1057, 40 * 1152. / 44100},
		"two with nothing":     {slices.Concat(b, b), 0, 79, 1, 79*1152 - 1057, 40 * 1152. / 44100},
		"tag between frames":   {slices.Concat(b[:626+626], id3v2, b[626+626:]), 140, 39, 0, 43_000, 0},
		"APE head in between":  {slices.Concat(b[:626+626], ape, b[626+626:]), 64, 39, 0, 43_000, 0},
		"tag behind junk":      {slices.Concat([]byte("junk"), id3v2, b), 140, 39, 1, 43_000, 0},
		"half of a tag at end": {slices.Concat(b, id3v2[:70]), 0, 39, 1, 43_000, 0},
	} {
		s, err := walkBytes(c.file)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		tags := s.ID3v2Bytes + s.ID3v1Bytes + s.APEBytes + s.LyricsBytes
		if tags != c.tags || s.Frames != c.frames || int64(s.DamageCount) != c.places || float64(s.Samples) != c.samples {
			t.Errorf("%s: %d bytes of tags, %d frames, %d samples, %v; want %d, %d, %g, %d places", name, tags, s.Frames, s.Samples, s.Damage, c.tags, c.frames, c.samples, c.places)
		}
		if told := fmt.Sprintf("%.2f s after the end", c.surplusS); c.surplusS > 0 && !strings.Contains(s.Damage[0].Says, told) {
			t.Errorf("%s: %v, want %q", name, s.Damage, told)
		}
		if n, _, d, err := decodeBytes(c.file, s); n != s.Samples || err != nil || d.Silenced != 0 {
			t.Errorf("%s: %d samples decode, %d frames silent, %v", name, n, d.Silenced, err)
		}
	}
}

// A count that the frames do not bear out is told in words.
func TestWalkCounts(t *testing.T) {
	b := aFile(t) // its Info frame counts 39
	for name, c := range map[string]struct {
		count byte
		says  string
	}{
		"right":         {39, ""},
		"counts itself": {40, ""},
		"two too many":  {41, "0.05 s before the end that its first frame tells (2 frames of 41 are missing)"},
		"four too few":  {35, "goes on for 0.10 s after the end that its first frame tells (35 frames of 39)"},
		"nothing said":  {0, ""},
	} {
		b[32] = c.count
		s, err := walkBytes(b)
		if err != nil || (c.says != "") != (s.DamageCount == 1) || c.says != "" && !strings.Contains(s.Damage[0].Says, c.says) {
			t.Errorf("%s: %v, %v; want %q", name, err, s.Damage, c.says)
		}
	}
	vbri := append([]byte(nil), b[:626]...)
	clear(vbri[21:])
	copy(vbri[36:], "VBRI\x00\x01\x00\x00\x00\x00\x00\x00\x60\x00\x00\x00\x00\x32") // 50 frames
	s, err := walkBytes(slices.Concat(vbri, b[626:]))
	if err != nil || s.Info == nil || s.Info.Kind != "VBRI" || s.Frames != 39 || s.DamageCount != 1 || !strings.Contains(s.Damage[0].Says, "11 frames of 50") {
		t.Errorf("VBRI: %v, %+v", err, s)
	}
}

// Frames broken inside are told by their place, neighbors as one.
func TestBrokenFramesArePlaces(t *testing.T) {
	whole := aFile(t)
	frame := func(n int) int { return 626 + 626 + 627*(n-2) } // as in TestWalkDamage
	frameS := 1152. / 44100
	for name, c := range map[string]struct {
		harm   func(b []byte)
		starts []float64
		offset int64
		says   string
	}{
		"sound": {func([]byte) {}, nil, 0, ""},
		"one":   {func(b []byte) { impossible(b[frame(10):]) }, []float64{9 * frameS}, int64(frame(10)), "one frame here is broken inside"},
		"two, one between": {func(b []byte) { impossible(b[frame(10):]); impossible(b[frame(12):]) },
			[]float64{9 * frameS}, int64(frame(10)), "2 frames here are broken inside"},
		"two far apart": {func(b []byte) { impossible(b[frame(4):]); impossible(b[frame(12):]) },
			[]float64{3 * frameS, 11 * frameS}, int64(frame(4)), "one frame here is broken inside"},
		"leans on nothing": {func(b []byte) { b[626+4] = 0xFF },
			[]float64{0}, 626, "the start is silent for 0.03 s"},
		"leans over a gap": {func(b []byte) { clear(b[frame(10):][:4]); b[frame(11)+4] = 0xFF },
			[]float64{9 * frameS}, int64(frame(10)), "627 bytes after this moment are no MP3 sound; one frame here is silent"},
		"far too loud": {func(b []byte) { louder(b[frame(10):]) }, []float64{9 * frameS}, int64(frame(10)), "far louder than full scale"},
	} {
		b := append([]byte(nil), whole...)
		c.harm(b)
		s, err := walkBytes(b)
		if err != nil {
			t.Fatal(err)
		}
		_, _, d, err := decodeBytes(b, s)
		if err != nil {
			t.Fatal(err)
		}
		var starts []float64
		for _, place := range d.Damage() {
			starts = append(starts, place.AtS)
			if place.UntilS < place.AtS || place.UntilS > place.AtS+5*frameS {
				t.Errorf("%s: from %.3f to %.3f s", name, place.AtS, place.UntilS)
			}
		}
		if !slices.EqualFunc(starts, c.starts, func(a, b float64) bool { return math.Abs(a-b) < 1e-6 }) {
			t.Errorf("%s: %v, want at %v", name, d.Damage(), c.starts)
			continue
		}
		if len(starts) > 0 && (d.Damage()[0].Offset != c.offset || !strings.Contains(d.Damage()[0].Says, c.says)) {
			t.Errorf("%s: %+v, want %q at byte %d", name, d.Damage()[0], c.says, c.offset)
		}
	}
}

// impossible gives a frame of ours more pairs than there are lines (ISO/IEC 11172-3
// §2.4.1.7: big_values are 9 bits, 30 bits into the side information).
func impossible(frame []byte) { frame[4+3] |= 0x03; frame[4+4] |= 0xFE }

// louder raises the gain of a frame's first granule (8 bits, 39 into the side
// information) to the most.
func louder(frame []byte) { frame[4+4] |= 0x01; frame[4+5] |= 0xFE }

func TestWalkDamage(t *testing.T) {
	whole := aFile(t)
	// frames 1, 2 ... start at 626, 626+626, then 627 each up to frame 17
	tenth := 626 + 626 + 8*627 // frame 10, at 9·1152 samples
	for name, c := range map[string]struct {
		harm          func(b []byte) []byte
		frames, stray int64
		places        int
		atS           float64
		says          string
	}{
		"cut in the last frame":  {func(b []byte) []byte { return b[:len(b)-1] }, 38, 626, 1, 38 * 1152. / 44100, "cut short"},
		"cut in half":            {func(b []byte) []byte { return b[:tenth+300] }, 9, 300, 1, 9 * 1152. / 44100, "cut short"},
		"cut within a header":    {func(b []byte) []byte { return b[:tenth+2] }, 9, 2, 1, 9 * 1152. / 44100, "no MP3 sound"},
		"a header wiped":         {func(b []byte) []byte { clear(b[tenth : tenth+4]); return b }, 38, 627, 1, 9 * 1152. / 44100, "no MP3 sound"},
		"zeros in the middle":    {func(b []byte) []byte { clear(b[tenth+100 : tenth+1500]); return b }, 37, 2 * 627, 1, 10 * 1152. / 44100, "no MP3 sound"},
		"bytes put in":           {func(b []byte) []byte { return append(b[:tenth:tenth], append([]byte("hello"), b[tenth:]...)...) }, 39, 5, 1, 9 * 1152. / 44100, "no MP3 sound"},
		"a byte lost in a frame": {func(b []byte) []byte { return append(b[:tenth+50], b[tenth+51:]...) }, 38, 626, 1, 10 * 1152. / 44100, "no MP3 sound"},
	} {
		b := c.harm(append([]byte(nil), whole...))
		s, err := walkBytes(b)
		if err != nil || s.Frames != c.frames || s.StrayBytes != c.stray || s.DamageCount != c.places {
			t.Errorf("%s: %v, %d frames, %d stray bytes, %v; want %d, %d, %d places", name, err, s.Frames, s.StrayBytes, s.Damage, c.frames, c.stray, c.places)
			continue
		}
		if d := s.Damage[0]; math.Abs(d.AtS-c.atS) > 1e-6 || !strings.Contains(d.Says, c.says) {
			t.Errorf("%s: %+v, want at %.3f s, %q", name, d, c.atS, c.says)
		}
		if n, _, _, err := decodeBytes(b, s); err != nil || n != s.Samples {
			t.Errorf("%s: %d of %d samples decode, %v", name, n, s.Samples, err)
		}
	}
}

func TestWalkNoMP3(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	noise := make([]byte, 300_000)
	for i := range noise {
		noise[i] = byte(r.Uint32())
	}
	for name, b := range map[string][]byte{
		"empty": nil, "text": []byte("not a reading at all"), "zeros": make([]byte, 100_000), "noise": noise,
		"sync bytes": bytes.Repeat([]byte{0xFF}, 100_000), "Info frame only": aFile(t)[:626],
	} {
		if s, err := walkBytes(b); !errors.Is(err, ErrNoMP3) {
			t.Errorf("%s: %v, %d frames", name, err, s.Frames)
		}
	}
	broken := errors.New("cable pulled")
	if _, err := Walk(failingReader{broken}, 1<<20); !errors.Is(err, broken) {
		t.Errorf("a disk that fails: %v", err)
	}
}

type failingReader struct{ err error }

func (r failingReader) ReadAt([]byte, int64) (int, error) { return 0, r.err }

func TestWalkMixedFormats(t *testing.T) {
	b := aFile(t)
	wide := append([]byte(nil), b...)
	at := int64(626 + 626 + 8*627)
	wide[at+3] = wide[at+3]&0x3F | 0x40 // frame 10 as joint stereo
	if s, err := walkBytes(wide); err != nil || !s.MixedFormat || s.Channels != 2 || s.Frames != 39 {
		t.Errorf("a stereo frame: %v, %+v", err, s)
	}
	other := make([]byte, 0, 20*576)
	for range 20 { // 160 kbit/s at 48 kHz: 480 bytes
		frame := make([]byte, 480)
		binary.BigEndian.PutUint32(frame, 0xFFFBA4C4)
		other = append(other, frame...)
	}
	s, err := walkBytes(append(append([]byte(nil), b...), other...))
	if err != nil || !s.MixedFormat || s.Frames != 59 || s.Constant || s.MinKbps != 160 || s.MaxKbps != 192 || s.DamageCount != 2 {
		t.Errorf("48 kHz after 44.1: %v, %+v", err, s)
	}
}

// A broken inside is silence, never a shorter file or a panic.
func TestDecodeBrokenInside(t *testing.T) {
	b := aFile(t)
	r := rand.New(rand.NewPCG(5, 6))
	for range 60 {
		harmed := append([]byte(nil), b...)
		for range 1 + r.IntN(30) {
			harmed[626+r.IntN(len(b)-626)] ^= byte(1 << r.IntN(8))
		}
		s, err := walkBytes(harmed)
		if err != nil {
			t.Fatal(err)
		}
		if n, peak, _, err := decodeBytes(harmed, s); n != s.Samples || err != nil || !(peak <= math.MaxFloat32) {
			t.Errorf("%d of %d samples, %v, peak %g", n, s.Samples, err, peak)
		}
	}
	// An encoder's stream cut at its front reaches back for data that is gone.
	cut := append([]byte(nil), b[626:]...)
	cut[4], cut[5] = 0xFF, cut[5]|0x80
	s, err := walkBytes(cut)
	if err != nil {
		t.Fatal(err)
	}
	n, _, d, err := decodeBytes(cut, s)
	if err != nil || n != 39*1152 || d.Silenced != 1 {
		t.Errorf("front cut: %d samples, %d frames silenced, %v", n, d.Silenced, err)
	}
}

func FuzzWalk(f *testing.F) {
	b := aFile(f)[:6000]
	f.Add(b)
	f.Add(b[626:2000])
	f.Add(append([]byte("ID3\x03\x00\x00\x00\x00\x00\x05hello"), b...))
	f.Add(append(append([]byte(nil), b...), "APETAGEX\xD0\x07\x00\x00\x20\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00"...))
	stereo := append([]byte(nil), b...)
	for i := 0; i+627 < len(stereo); i += 626 {
		stereo[i+3] = 0x44
	}
	f.Add(stereo)
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := walkBytes(b)
		if err != nil {
			if !errors.Is(err, ErrNoMP3) {
				t.Errorf("error %v", err)
			}
			return
		}
		if s.Frames < 1 || s.Samples < 0 || s.Samples > s.Frames*1152 || s.AudioOffset < 0 ||
			s.AudioOffset+s.AudioBytes > int64(len(b)) || s.StrayBytes < 0 || s.StrayBytes > int64(len(b)) {
			t.Errorf("%+v", s)
		}
		n, peak, _, err := decodeBytes(b, s)
		if err != nil || n != s.Samples || !(peak <= math.MaxFloat32) {
			t.Errorf("%d of %d samples, peak %g, %v", n, s.Samples, peak, err)
		}
	})
}
