package wav

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"testing"
)

// The test files are written here, by the specifications alone, so that the
// reader is never compared with itself.

// part is one chunk; size overrides the length that is written, noPad leaves
// the pad byte out.
type part struct {
	id    string
	body  []byte
	size  uint32
	lie   bool
	noPad bool
}

func lying(id string, size uint32, body []byte) part {
	return part{id: id, body: body, size: size, lie: true}
}

func riffOf(container string, parts ...part) []byte {
	le := binary.LittleEndian
	b := append([]byte(container), 0, 0, 0, 0)
	b = append(b, "WAVE"...)
	for _, p := range parts {
		b = append(b, p.id...)
		if !p.lie {
			p.size = uint32(len(p.body))
		}
		b = le.AppendUint32(b, p.size)
		b = append(b, p.body...)
		if len(p.body)%2 == 1 && !p.noPad {
			b = append(b, 0)
		}
	}
	le.PutUint32(b[4:], uint32(len(b)-8))
	return b
}

func fmtPart(tag uint16, channels, rateHz, blockBytes, bits int) part {
	le := binary.LittleEndian
	b := le.AppendUint16(nil, tag)
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rateHz))
	b = le.AppendUint32(b, uint32(rateHz*blockBytes))
	b = le.AppendUint16(b, uint16(blockBytes))
	b = le.AppendUint16(b, uint16(bits))
	return part{id: "fmt ", body: b}
}

func extPart(tag uint16, channels, rateHz, bits, validBits int) part {
	le := binary.LittleEndian
	p := fmtPart(0xFFFE, channels, rateHz, channels*bits/8, bits)
	p.body = le.AppendUint16(p.body, 22)
	p.body = le.AppendUint16(p.body, uint16(validBits))
	p.body = le.AppendUint32(p.body, 4)
	p.body = le.AppendUint16(p.body, tag)
	p.body = append(p.body, 0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xAA, 0x00, 0x38, 0x9B, 0x71)
	return p
}

func ds64Part(riffBytes, dataBytes uint64) part {
	le := binary.LittleEndian
	b := le.AppendUint64(nil, riffBytes)
	b = le.AppendUint64(b, dataBytes)
	b = le.AppendUint64(b, 0)
	b = le.AppendUint32(b, 0)
	return part{id: "ds64", body: b}
}

// pcm16 is a mono 16-bit 48 kHz fmt chunk, the plainest there is.
func pcm16() part { return fmtPart(1, 1, 48000, 2, 16) }

// ramp16 is n 16-bit samples 1, 2, 3, ...: any lost or shifted byte shows.
func ramp16(n int) []byte {
	var b []byte
	for i := range n {
		b = binary.LittleEndian.AppendUint16(b, uint16(i+1))
	}
	return b
}

// wantRamp16 is what ramp16 reads as.
func wantRamp16(n int) []float32 {
	w := make([]float32, n)
	for i := range w {
		w[i] = float32(int16(i+1)) / 32768
	}
	return w
}

// readAll walks and reads a whole file in blocks of an awkward length.
func readAll(t testing.TB, file []byte) (Info, [][]float32) {
	t.Helper()
	info, err := Walk(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatalf("Walk: %v", err)
	}
	r, err := NewReader(bytes.NewReader(file), info)
	if err != nil {
		t.Fatalf("NewReader: %v", err)
	}
	return info, drain(t, r, info)
}

func drain(t testing.TB, r *Reader, info Info) [][]float32 {
	t.Helper()
	all := make([][]float32, info.Channels)
	block := make([][]float32, info.Channels)
	for ch := range block {
		block[ch] = make([]float32, 997)
	}
	for {
		n, err := r.Read(block)
		if errors.Is(err, io.EOF) {
			if n != 0 {
				t.Fatalf("Read returned %d frames with io.EOF", n)
			}
			return all
		}
		if err != nil {
			t.Fatalf("Read: %v", err)
		}
		for ch := range all {
			all[ch] = append(all[ch], block[ch][:n]...)
		}
	}
}

func equalSamples(t testing.TB, got, want []float32) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d frames, want %d", len(got), len(want))
	}
	for i := range want {
		if got[i] != want[i] {
			t.Fatalf("frame %d is %v, want %v", i, got[i], want[i])
		}
	}
}

// sine is amplitude·sin(2π·997·n/48000 + phase) in float64.
func sine(amplitude, phase float64, n int) []float64 {
	s := make([]float64, n)
	for i := range s {
		s[i] = amplitude * math.Sin(2*math.Pi*997*float64(i)/48000+phase)
	}
	return s
}
