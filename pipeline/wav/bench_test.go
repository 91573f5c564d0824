package wav

import (
	"bytes"
	"errors"
	"io"
	"testing"
)

// One minute at 48 kHz, in blocks of 4096 frames; MB/s are bytes of the file.
func BenchmarkRead(b *testing.B) {
	const frames = 60 * 48000
	for _, f := range []struct {
		name string
		head part
	}{
		{"16-bit mono", fmtPart(1, 1, 48000, 2, 16)},
		{"24-bit mono", fmtPart(1, 1, 48000, 3, 24)},
		{"24-bit stereo", fmtPart(1, 2, 48000, 6, 24)},
		{"32-bit float stereo", fmtPart(3, 2, 48000, 8, 32)},
	} {
		b.Run(f.name, func(b *testing.B) {
			block := int(f.head.body[12])
			file := riffOf("RIFF", f.head, part{id: "data", body: make([]byte, frames*block)})
			info, err := Walk(bytes.NewReader(file), int64(len(file)))
			if err != nil {
				b.Fatal(err)
			}
			dst := make([][]float32, info.Channels)
			for ch := range dst {
				dst[ch] = make([]float32, 4096)
			}
			b.SetBytes(int64(len(file)))
			b.ReportAllocs()
			for b.Loop() {
				r, err := NewReader(bytes.NewReader(file), info)
				for err == nil {
					_, err = r.Read(dst)
				}
				if !errors.Is(err, io.EOF) {
					b.Fatal(err)
				}
			}
		})
	}
}
