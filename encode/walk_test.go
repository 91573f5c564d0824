package encode

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"os"
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
