package encode

import (
	"context"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
)

// sourceOf delivers x in uneven pieces.
func sourceOf(x []float32) Source {
	piece := 1
	return func(dst []float32) (int, error) {
		if len(x) == 0 {
			return 0, io.EOF
		}
		n := copy(dst[:min(len(dst), piece)], x)
		x = x[n:]
		piece = piece*3%4001 + 1
		return n, nil
	}
}

func sine(n int, hz, peak float64) []float32 {
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(peak * math.Sin(2*math.Pi*hz*float64(i)/sampleRateHz))
	}
	return x
}

func square(n int, hz, peak float64) []float32 {
	x := sine(n, hz, 1)
	for i := range x {
		x[i] = float32(math.Copysign(peak, float64(x[i])))
	}
	return x
}

func whiteNoise(n int, rms float64) []float32 {
	r := rand.New(rand.NewPCG(1, 2))
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(max(-1, min(1, r.NormFloat64()*rms)))
	}
	return x
}

// limitedSpeech is a buzz with formant-like partials under a syllable-like
// envelope, driven into a hard limit: flat tops as a limited voice has them.
func limitedSpeech(n int, peak float64) []float32 {
	x := make([]float32, n)
	for i := range x {
		t := float64(i) / sampleRateHz
		var v float64
		for k := 1; k <= 30; k++ {
			f := 110 * float64(k) * (1 + 0.02*math.Sin(2*math.Pi*0.7*t))
			v += math.Exp(-math.Pow((f-600)/500, 2)) * math.Sin(2*math.Pi*f*t)
			v += 0.4 * math.Exp(-math.Pow((f-2400)/500, 2)) * math.Sin(2*math.Pi*f*t+1)
		}
		v *= max(0, math.Sin(2*math.Pi*3*t))
		x[i] = float32(max(-peak, min(peak, v)))
	}
	return x
}

// written encodes x to a new file.
func written(t testing.TB, x []float32, opt Options) (string, Written) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "03 The Ferry.mp3")
	w, err := Write(context.Background(), path, sourceOf(x), opt)
	if err != nil {
		t.Fatal(err)
	}
	return path, w
}

func walked(t testing.TB, path string) (Stream, *os.File) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	s, err := Walk(f, info.Size())
	if err != nil {
		t.Fatal(err)
	}
	return s, f
}

// decoded returns every sample of each channel.
func decoded(t testing.TB, path string) [][]float32 {
	t.Helper()
	s, f := walked(t, path)
	d, err := NewDecoder(f, s)
	if err != nil {
		t.Fatal(err)
	}
	all := make([][]float32, d.Channels())
	block := make([][]float32, d.Channels())
	for i := range block {
		block[i] = make([]float32, 1000)
	}
	for {
		n, err := d.Read(block)
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		for i := range all {
			all[i] = append(all[i], block[i][:n]...)
		}
	}
}

var at192 = Options{BitrateKbps: 192}
