package encode

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
)

func TestProofFindsEveryDamage(t *testing.T) {
	x := limitedSpeech(100_000, 0.6)
	opt := Options{BitrateKbps: 192, Tags: Tags{Title: "The Ferry"}}
	path, w := written(t, x, opt)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	audio := len(opt.Tags.id3v2())
	for name, harm := range map[string]func(b []byte) []byte{
		"last byte gone":     func(b []byte) []byte { return b[:len(b)-1] },
		"one byte more":      func(b []byte) []byte { return append(b, 0) },
		"a frame's inside":   func(b []byte) []byte { b[audio+626+5000] ^= 0x10; return b },
		"a frame's header":   func(b []byte) []byte { b[audio+626+626+2] ^= 0x10; return b },
		"frames out of step": func(b []byte) []byte { copy(b[audio+626+1000:], b[audio+626+1001:]); return b },
		"Info frame's count": func(b []byte) []byte { b[audio+32]++; return b },
		"the tag":            func(b []byte) []byte { b[12]++; return b },
	} {
		if err := os.WriteFile(path, harm([]byte(string(whole))), 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := Prove(context.Background(), path, w, opt, sourceOf(x), nil); err == nil {
			t.Errorf("%s: passed as proved", name)
		}
	}
}

// The comparison must catch a fault even where every header and sum is right, so
// the source given to Prove differs from what was encoded.
func TestProofComparesTheSound(t *testing.T) {
	x := limitedSpeech(100_000, 0.6)
	path, w := written(t, x, at192)
	changed := func(f func(y []float32) []float32) []float32 { return f(append([]float32(nil), x...)) }
	for name, y := range map[string][]float32{
		"0.6 dB louder":         changed(func(y []float32) []float32 { return scaled(y, 1.072) }),
		"1.02 dB softer":        changed(func(y []float32) []float32 { return scaled(y, 8.0/9) }),
		"upside down":           changed(func(y []float32) []float32 { return scaled(y, -1) }),
		"one sample late":       changed(func(y []float32) []float32 { return append([]float32{0}, y[:len(y)-1]...) }),
		"one sample short":      x[:len(x)-1],
		"one sample long":       append(append([]float32(nil), x...), 0),
		"one frame garbled":     changed(func(y []float32) []float32 { copy(y[50_000:], whiteNoise(1152, 0.2)); return y }),
		"one frame lost":        changed(func(y []float32) []float32 { clear(y[58_000:59_152]); return y }),
		"one sample off":        changed(func(y []float32) []float32 { y[30_000] = -y[30_000]; return y }),
		"one sample no number":  changed(func(y []float32) []float32 { y[18_375] = float32(math.NaN()); return y }),
		"noise where quiet was": changed(func(y []float32) []float32 { copy(y[:5000], whiteNoise(5000, 0.01)); return y }),
	} {
		if _, err := Prove(context.Background(), path, w, at192, sourceOf(y), nil); err == nil {
			t.Errorf("%s: passed as proved", name)
		}
	}
	n := 0
	p, err := Prove(context.Background(), path, w, at192, sourceOf(x), func(b []float32) error { n += len(b); return nil })
	if err != nil || n != len(x) || p.Stream.Frames != w.Frames || !p.Stream.Constant || p.Stream.BitrateKbps != 192 || p.Stream.Channels != 1 {
		t.Errorf("the same samples: %v, %d delivered, %+v", err, n, p)
	}
	enough := errors.New("enough")
	if _, err := Prove(context.Background(), path, w, at192, sourceOf(x), func([]float32) error { return enough }); !errors.Is(err, enough) {
		t.Errorf("a sink that fails: %v", err)
	}
	ctx, stop := context.WithCancel(context.Background())
	stop()
	if _, err := Prove(ctx, path, w, at192, sourceOf(x), nil); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
}

func TestProofOfQuietAndHardSounds(t *testing.T) {
	clicks := whiteNoise(60_000, 0.001)
	for i := 3000; i < len(clicks); i += 7001 {
		clicks[i] = 0.7
	}
	fade := sine(60_000, 300, 0.7)
	for i := range fade {
		fade[i] *= float32(i%6000) / 6000
	}
	for name, x := range map[string][]float32{
		"silence":          make([]float32, 60_000),
		"room at -70 dB":   whiteNoise(60_000, 0.0003),
		"room at -60 dB":   whiteNoise(60_000, 0.001),
		"white noise":      whiteNoise(60_000, 0.2),
		"clicks":           clicks,
		"bursts":           fade,
		"square":           square(60_000, 200, 0.7),
		"starts at a peak": square(3000, 20, 0.7),
	} {
		path, w := written(t, x, at192)
		if p, err := Prove(context.Background(), path, w, at192, sourceOf(x), nil); err != nil {
			t.Errorf("%s: %v", name, err)
		} else {
			t.Logf("%-16s SNR %.1f dB, worst frame %.1f dB, off by %.2f, difference %.1f dBFS, gain %.3f dB", name, p.SNRDB, p.WorstDB, p.OffPart, p.ErrorDBFS, p.GainDB)
		}
	}
}

// A hiss over two frames, 11.5 dB below the sound, too even for a single sample to
// stand out and too short to move the whole.
func TestProofHearsAHiss(t *testing.T) {
	x := sine(200_000, 150, 0.8)
	path, w := written(t, x, at192)
	y := append([]float32(nil), x...)
	r := rand.New(rand.NewPCG(8, 9))
	for i := 100_000; i < 102_304; i++ {
		y[i] += 0.15 * float32(2*r.IntN(2)-1)
	}
	p, err := Prove(context.Background(), path, w, at192, sourceOf(y), nil)
	if err == nil || p.WorstAtS < 2.2 || p.WorstAtS > 2.35 {
		t.Errorf("%v, worst frame %.1f dB at %.2f s; want it refused at 2.3 s", err, p.WorstDB, p.WorstAtS)
	}
}

func TestProofNamesTheMoment(t *testing.T) {
	x := limitedSpeech(100_000, 0.6)
	path, w := written(t, x, at192)
	y := append([]float32(nil), x...)
	copy(y[66_150:], whiteNoise(1152, 0.3)) // at 1.5 s
	_, err := Prove(context.Background(), path, w, at192, sourceOf(y), nil)
	if err == nil || !strings.Contains(err.Error(), "1.5") && !strings.Contains(err.Error(), "1.49") {
		t.Errorf("error %v, want one that names 1.5 s", err)
	}
}

func scaled(x []float32, by float32) []float32 {
	for i := range x {
		x[i] *= by
	}
	return x
}
