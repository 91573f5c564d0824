package layer3_test

import (
	"bytes"
	"context"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"

	"lectern/encode"
	"lectern/encode/layer3"
)

// framesOf makes an MP3 of a buzz with a voice's resonances, 192 kbit/s, mono,
// 44.1 kHz, and cuts it into its frames.
func framesOf(b *testing.B, seconds int) (frames [][]byte) {
	x := make([]float32, seconds*44100)
	for i := range x {
		t := float64(i) / 44100
		var v float64
		for k := 1.; k <= 40; k++ {
			f := 110 * k * (1 + 0.02*math.Sin(2*math.Pi*0.7*t))
			v += math.Exp(-math.Abs(f-600)/700) * math.Sin(2*math.Pi*f*t+k*k)
		}
		x[i] = float32(0.1 * v * (0.6 + 0.4*math.Sin(2*math.Pi*3*t)))
	}
	path := filepath.Join(b.TempDir(), "03 The Ferry.mp3")
	at := 0
	_, err := encode.Write(context.Background(), path, func(dst []float32) (int, error) {
		if at == len(x) {
			return 0, io.EOF
		}
		n := copy(dst, x[at:])
		at += n
		return n, nil
	}, encode.Options{BitrateKbps: 192})
	if err != nil {
		b.Fatal(err)
	}
	file, err := os.ReadFile(path)
	if err != nil {
		b.Fatal(err)
	}
	for len(file) > 626 {
		size := 626 + int(file[2]>>1&1)
		frames = append(frames, bytes.Clone(file[:size]))
		file = file[size:]
	}
	return frames[1:]
}

func BenchmarkFrame(b *testing.B) {
	const seconds = 10
	frames := framesOf(b, seconds)
	dst := [][]float32{make([]float32, layer3.SamplesPerFrame)}
	var d layer3.Decoder
	b.ReportAllocs()
	for b.Loop() {
		for _, frame := range frames {
			if _, err := d.Frame(dst, frame); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}
