package layer3

import (
	"errors"
	"math"
	"strings"
	"testing"
)

var monoSheet = sheet{version: 3, mode: 3, blocks: []blockType{long, start, short, stop}, crc: true}

// power is the mean power of what a frame gives in its first channel.
func power(t *testing.T, d *Decoder, frame []byte, want error) float64 {
	t.Helper()
	dst := [][]float32{make([]float32, SamplesPerFrame), make([]float32, SamplesPerFrame)}
	n, err := d.Frame(dst, frame)
	if !errors.Is(err, want) || n != SamplesPerFrame {
		t.Fatalf("%d samples, error %v; want %d and %v", n, err, SamplesPerFrame, want)
	}
	var sum float64
	for _, v := range dst[0] {
		sum += float64(v) * float64(v)
	}
	return sum / float64(n)
}

func TestDamageIsToldAndSilent(t *testing.T) {
	for name, c := range map[string]struct {
		harm func(frame []byte) []byte
		want error
	}{
		"too many pairs":        {func(b []byte) []byte { b[6+3] |= 0x07; b[6+4] |= 0xFC; return b }, ErrSideInfo}, // big_values 511
		"table 4":               {func(b []byte) []byte { return withTable(b, 4) }, ErrSideInfo},
		"main data not there":   {func(b []byte) []byte { b[6] = 0xFF; return b }, ErrReservoir},
		"length too long":       {func(b []byte) []byte { b[6+2] |= 0x3F; b[6+3] |= 0xFC; return b[:200] }, ErrHuffman},
		"ends in the side info": {func(b []byte) []byte { return b[:15] }, ErrShort},
	} {
		frames := monoSheet.made(4, 7)
		frames[1] = c.harm(frames[1])
		var d Decoder
		before := power(t, &d, frames[0], nil)
		d.Gap()
		power(t, &d, frames[1], c.want)
		// The frame before has faded out by now: what comes of a second one is silent.
		d.Gap()
		if p := power(t, &d, frames[1], c.want); p != 0 || before == 0 {
			t.Errorf("%s: power %g, before %g", name, p, before)
		}
		if p := power(t, &d, frames[2], nil); p == 0 {
			t.Errorf("%s: it does not go on", name)
		}
	}
}

// withTable sets the first table of a granule that does not switch windows.
func withTable(b []byte, table int) []byte {
	// §2.4.1.7, mono: 18 bits, then 33 up to the window switching flag, and the table
	const flagAt = 18 + 33
	side := b[6:]
	for i, bit := range [6]int{0, table >> 4 & 1, table >> 3 & 1, table >> 2 & 1, table >> 1 & 1, table & 1} {
		at := flagAt + i
		side[at/8] = side[at/8]&^(0x80>>(at%8)) | byte(bit)<<(7-at%8)
	}
	return b
}

func TestWrongChecksumIsToldAndPlayed(t *testing.T) {
	frames := monoSheet.made(2, 8)
	var whole, harmed Decoder
	want := power(t, &whole, frames[0], nil)
	frames[0][5] ^= 1
	if got := power(t, &harmed, frames[0], ErrCRC); got != want || got == 0 {
		t.Errorf("power %g, want %g", got, want)
	}
}

func TestCRC(t *testing.T) {
	// the published check value of this sum (polynomial 0x8005, start 0xFFFF, not
	// reflected: CRC-16/CMS)
	if got := addCRC(0xFFFF, []byte("123456789")); got != 0xAEE7 {
		t.Errorf("%04X, want AEE7", got)
	}
}

func TestNoFrame(t *testing.T) {
	var d Decoder
	dst := [][]float32{make([]float32, SamplesPerFrame)}
	stereo := sheet{version: 3, blocks: []blockType{long}}.made(1, 1)[0]
	for name, b := range map[string][]byte{
		"nothing": nil, "3 bytes": {0xFF, 0xFB, 0x90}, "text": []byte("not a frame"), "layer II": {0xFF, 0xFD, 0x90, 0xC4},
		"no such version": {0xFF, 0xEB, 0x90, 0xC4}, "no such rate": {0xFF, 0xFB, 0x9C, 0xC4}, "two channels into one": stereo,
	} {
		if n, err := d.Frame(dst, b); n != 0 || !errors.Is(err, ErrHeader) {
			t.Errorf("%s: %d samples, %v", name, n, err)
		}
	}
}

func TestResetForgetsAll(t *testing.T) {
	frames := monoSheet.made(2, 9)
	var used, fresh Decoder
	power(t, &used, frames[0], nil)
	used.Reset()
	if got, want := power(t, &used, frames[1], nil), power(t, &fresh, frames[1], nil); got != want || want == 0 {
		t.Errorf("power %g after a reset, %g fresh", got, want)
	}
}

// A frame may begin in the ones before, over several of them, but not over a gap.
func TestReservoir(t *testing.T) {
	var r reservoir
	for i, c := range []struct {
		own   string
		reach int
		want  string // "" where it is not there
	}{
		{"abc", 0, "abc"}, {"d", 2, "bcd"}, {"", 4, "abcd"}, {"ef", 4, "abcdef"}, {"g", 7, ""}, {"h", 7, "abcdefgh"},
		{strings.Repeat("x", 600), 0, strings.Repeat("x", 600)}, {"y", 512, ""}, {"z", 511, strings.Repeat("x", 510) + "yz"},
	} {
		begin, ok := r.add([]byte(c.own), c.reach)
		if c.want != "" && (!ok || string(r.buf[begin:r.held]) != c.want) {
			t.Errorf("%d: %v, %q; want %q", i, ok, r.buf[max(0, begin):r.held], c.want)
		}
		if c.want == "" && ok {
			t.Errorf("%d: %d bytes back are said to be there", i, c.reach)
		}
	}
	r.reset()
	if _, ok := r.add([]byte("a"), 1); ok {
		t.Error("a byte from before the gap is said to be there")
	}
}

func TestNothingIsAllocated(t *testing.T) {
	frames := sheet{version: 3, mode: 1, extension: 3, blocks: []blockType{long, start, short, stop}}.made(4, 3)
	var d Decoder
	dst := [][]float32{make([]float32, SamplesPerFrame), make([]float32, SamplesPerFrame)}
	decode := func() {
		for _, frame := range frames {
			if _, err := d.Frame(dst, frame); err != nil {
				t.Fatal(err)
			}
		}
	}
	decode() // the reservoir grows once
	if n := testing.AllocsPerRun(20, decode); n != 0 {
		t.Errorf("%g allocations for %d frames", n, len(frames))
	}
}

// FuzzFrame: no bytes may panic, nor give another number of samples than the
// header says, nor anything that is no number.
func FuzzFrame(f *testing.F) {
	for i, s := range []sheet{
		monoSheet,
		{version: 3, mode: 1, extension: 3, blocks: []blockType{long, start, short, stop}, mixed: true},
		{version: 2, mode: 1, extension: 1, blocks: []blockType{long, start, short, stop}, mixed: true},
		{version: 0, mode: 0, blocks: []blockType{short}, rate: 2},
		{version: 2, mode: 3, blocks: []blockType{long}, crc: true},
	} {
		frames := s.made(2, uint64(i))
		f.Add(frames[0], frames[1])
	}
	f.Fuzz(func(t *testing.T, a, b []byte) {
		var d Decoder
		dst := [][]float32{make([]float32, SamplesPerFrame), make([]float32, SamplesPerFrame)}
		for _, frame := range [][]byte{a, b, a} {
			n, err := d.Frame(dst, frame)
			k, ok := parseHeader(frame)
			if want := k.granules() * lines; ok && n != want || !ok && (n != 0 || err != ErrHeader) {
				t.Fatalf("%d samples, %v", n, err)
			}
			for ch := range k.channels {
				for _, v := range dst[ch][:n] {
					if !(math.Abs(float64(v)) < math.MaxFloat32) {
						t.Fatalf("a sample of %g", v)
					}
				}
			}
		}
	})
}
