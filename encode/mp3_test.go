package encode

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// Each fault of the encoder is held by a test here or in prove_test.go:
//
//	pointer past the input   TestFrameBufferHasRoomBehind
//	9/8 too loud             TestUnityGain
//	overflow when loud       TestLoudSoundSurvives
//	last frame not flushed   TestExactLength
//	320 kbit/s loses 2 bits  TestEveryBitrate

func TestFrameBufferHasRoomBehind(t *testing.T) {
	// A run that dies cannot be a test, so the cause is tested: the address one
	// past the last sample must lie in the same object, which the garbage
	// collector guarantees if the capacity goes further than the length.
	var s segment
	if _, err := newFeed(sourceOf(make([]float32, 9)), [32]byte{}, 5, 1).fill(context.Background(), &s); err != nil {
		t.Fatal(err)
	}
	if len(s.in) != 7*samplesPerFrame || cap(s.in) <= len(s.in) {
		t.Errorf("input of %d samples in room for %d, want %d in more", len(s.in), cap(s.in), 7*samplesPerFrame)
	}
}

func TestUnityGain(t *testing.T) {
	// dependable over the voice's whole range; 0.01 dB is our demand
	for _, hz := range []float64{60, 100, 250, 997, 1000, 3150, 8000, 12000, 16000} {
		for _, peak := range []float64{0.1, 0.7} {
			x := sine(30000, hz, peak)
			path, w := written(t, x, at192)
			p, err := Prove(context.Background(), path, w, at192, sourceOf(x), nil)
			if err != nil {
				t.Fatalf("%g Hz: %v", hz, err)
			}
			// away from the edges, where the tone's start and end splatter
			y := decoded(t, path)[0]
			var in, cross, diff float64
			for i := 4000; i < 26000; i++ {
				a, b := float64(x[i]), float64(y[i])
				in, cross, diff = in+a*a, cross+a*b, diff+(a-b)*(a-b)
			}
			gain, snr := 20*math.Log10(cross/in), 10*math.Log10(in/diff)
			want := 65.0
			if peak < 0.5 {
				want = 58 // the 16-bit steps count for more
			}
			if math.Abs(gain) > 0.01 || snr < want {
				t.Errorf("%g Hz at %g: gain %.4f dB, SNR %.1f dB (whole file %.1f); want 0 ±0.01 and over %g", hz, peak, gain, snr, p.SNRDB, want)
			}
		}
	}
}

func TestLoudSoundSurvives(t *testing.T) {
	for name, c := range map[string]struct {
		x   []float32
		snr float64 // our choice, 3 dB under what was measured
	}{
		"square at the ceiling": {square(60000, 441, 0.705), 33},
		"full-scale sine":       {sine(60000, 997, 1), 55},
		"limited speech":        {limitedSpeech(60000, 0.705), 29},
	} {
		path, w := written(t, c.x, at192)
		p, err := Prove(context.Background(), path, w, at192, sourceOf(c.x), nil)
		if err != nil || p.SNRDB < c.snr {
			t.Errorf("%s: SNR %.1f dB, worst frame %.1f dB, %v; want over %g", name, p.SNRDB, p.WorstDB, err, c.snr)
		}
		// The overflow is looked for in the encoder's own range, too: nothing is
		// clamped.
		if w.Clamped != 0 {
			t.Errorf("%s: %d samples clamped", name, w.Clamped)
		}
	}
}

func TestExactLength(t *testing.T) {
	for _, n := range []int{1, 2, 94, 95, 96, 1151, 1152, 1153, 1247, 1248, 44100, 132300} {
		x := whiteNoise(n, 0.05)
		x[n-1] = 0.6 // the last sample must be heard
		path, w := written(t, x, at192)
		want := max(2, (int64(n)+1057+1151)/1152)
		// the frame pattern at this rate: 46 of 49 frames are padded
		bytes := 626 + 626*want + ((want-1)*46+48)/49
		if w.Frames != want || w.Bytes != bytes || w.Samples != int64(n) {
			t.Errorf("%d samples: %d frames, %d bytes, %d samples; want %d, %d", n, w.Frames, w.Bytes, w.Samples, want, bytes)
		}
		y := decoded(t, path)[0]
		if len(y) != n {
			t.Errorf("%d samples decode to %d", n, len(y))
		} else if math.Abs(float64(y[n-1])-0.6) > 0.2 {
			t.Errorf("%d samples: the last one decodes to %.2f, want 0.6", n, y[n-1])
		}
	}
}

func TestNothingToEncode(t *testing.T) {
	path := filepath.Join(t.TempDir(), "empty.mp3")
	_, err := Write(context.Background(), path, sourceOf(nil), at192)
	if !errors.Is(err, ErrNoSamples) {
		t.Errorf("error %v", err)
	}
	wantGone(t, path)
}

func TestImpulseStaysInPlace(t *testing.T) {
	x := make([]float32, 44100)
	x[22050] = 0.5
	path, _ := written(t, x, at192)
	at, peak := 0, float32(0)
	for i, v := range decoded(t, path)[0] {
		if v > peak {
			at, peak = i, v
		}
	}
	if at != 22050 {
		t.Errorf("the impulse came out at sample %d, want 22050", at)
	}
}

func TestEveryBitrate(t *testing.T) {
	for _, kbps := range []int{128, 160, 192, 224, 256, 320} {
		opt := Options{BitrateKbps: kbps}
		for name, x := range map[string][]float32{
			"speech":  limitedSpeech(60000, 0.7),
			"noise":   whiteNoise(60000, 0.3),
			"silence": make([]float32, 60000),
		} {
			path, w := written(t, x, opt)
			if _, err := Prove(context.Background(), path, w, opt, sourceOf(x), nil); err != nil {
				t.Errorf("%s at %d kbit/s: %v", name, kbps, err)
			}
		}
	}
	path := filepath.Join(t.TempDir(), "x.mp3")
	if _, err := Write(context.Background(), path, sourceOf(make([]float32, 10)), Options{BitrateKbps: 193}); err == nil {
		t.Error("193 kbit/s was taken")
	}
	wantGone(t, path)
}

func TestSameSeedSameFile(t *testing.T) {
	x := limitedSpeech(30000, 0.5)
	_, a := written(t, x, Options{BitrateKbps: 192, DitherSeed: [32]byte{1}})
	_, b := written(t, x, Options{BitrateKbps: 192, DitherSeed: [32]byte{1}})
	_, c := written(t, x, Options{BitrateKbps: 192, DitherSeed: [32]byte{2}})
	_, d := written(t, x, Options{BitrateKbps: 192, DitherSeed: [32]byte{1}, Tags: Tags{Title: "The Ferry"}})
	if a != b {
		t.Errorf("two runs differ: %+v, %+v", a, b)
	}
	if a.AudioSHA256 == c.AudioSHA256 {
		t.Error("the seed does not change the dither")
	}
	if a.AudioSHA256 != d.AudioSHA256 || a.SHA256 == d.SHA256 {
		t.Error("a tag must change the file's sum and not the audio's")
	}
}

func TestDitherIsTriangular(t *testing.T) {
	// closed form: steps of 0 three times in four, ±1 once in eight each, so
	// variance 1/4; on a ramp between steps the error keeps mean 0, variance 1/4.
	const n = 1 << 18
	for _, level := range []float64{0, 0.25, 0.5, 1000.125} {
		q := newQuantizer([32]byte{7})
		in, out := make([]float32, n), make([]int16, n)
		for i := range in {
			in[i] = float32(level / inputScale)
		}
		if err := q.quantize(out, in); err != nil {
			t.Fatal(err)
		}
		var mean, square float64
		for i, v := range out {
			e := float64(v) - float64(in[i])*inputScale
			mean += e / n
			square += e * e / n
		}
		if math.Abs(mean) > 0.005 || math.Abs(square-0.25) > 0.005 {
			t.Errorf("level %g: error mean %.4f, square %.4f; want 0 and 0.25", level, mean, square)
		}
	}
}

func TestOddSamples(t *testing.T) {
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		x := make([]float32, 5000)
		x[4000] = float32(bad)
		path := filepath.Join(t.TempDir(), "x.mp3")
		if _, err := Write(context.Background(), path, sourceOf(x), at192); !errors.Is(err, errNotANumber) {
			t.Errorf("%g: error %v", bad, err)
		}
		wantGone(t, path)
	}
	x := sine(5000, 100, 0.5)
	x[100], x[101], x[102] = 1, 1.001, -3e38
	if _, w := written(t, x, at192); w.Clamped != 2 {
		t.Errorf("%d samples clamped, want 2", w.Clamped)
	}
}

func TestStopLeavesNothing(t *testing.T) {
	ctx, stop := context.WithCancelCause(context.Background())
	left := 20
	src := func(dst []float32) (int, error) {
		if left--; left == 0 {
			stop(errors.New("told to stop"))
		}
		return len(dst), nil
	}
	path := filepath.Join(t.TempDir(), "x.mp3")
	if _, err := Write(ctx, path, src, at192); err == nil || left < 0 {
		t.Errorf("error %v, %d reads too many", err, -left)
	}
	wantGone(t, path)
}

func TestFailingSource(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.mp3")
	broken := errors.New("cable pulled")
	calls := 0
	_, err := Write(context.Background(), path, func(dst []float32) (int, error) {
		if calls++; calls == 5 {
			return 0, broken
		}
		return len(dst), nil
	}, at192)
	if !errors.Is(err, broken) {
		t.Errorf("error %v", err)
	}
	wantGone(t, path)
	_, err = Write(context.Background(), path, func([]float32) (int, error) { return 0, nil }, at192)
	if !errors.Is(err, io.ErrNoProgress) {
		t.Errorf("a source that gives nothing: %v", err)
	}
	wantGone(t, path)
}

func TestNeverOverwrites(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.mp3")
	if err := os.WriteFile(path, []byte("a reading"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Write(context.Background(), path, sourceOf(make([]float32, 10)), at192); !errors.Is(err, fs.ErrExist) {
		t.Errorf("error %v", err)
	}
	if b, err := os.ReadFile(path); err != nil || string(b) != "a reading" {
		t.Errorf("the file that was there: %q, %v", b, err)
	}
}

// failing is a file on which one call fails, after so many bytes for Write.
type failing struct {
	*os.File
	call  string
	after int
}

var errDisk = errors.New("disk full")

func (f *failing) Write(b []byte) (int, error) {
	if f.call == "write" {
		if f.after -= len(b); f.after < 0 {
			n, _ := f.File.Write(b[:len(b)/2])
			return n, errDisk
		}
	}
	return f.File.Write(b)
}

func (f *failing) WriteAt(b []byte, at int64) (int, error) {
	if f.call == "patch" {
		return 0, errDisk
	}
	return f.File.WriteAt(b, at)
}

func (f *failing) ReadAt(b []byte, at int64) (int, error) {
	if f.call == "read" {
		return 0, errDisk
	}
	return f.File.ReadAt(b, at)
}

func (f *failing) Sync() error {
	if f.call == "sync" {
		return errDisk
	}
	return f.File.Sync()
}

func (f *failing) Close() error {
	err := f.File.Close()
	if f.call == "close" {
		return errDisk
	}
	return err
}

func TestFailingDiskLeavesNothing(t *testing.T) {
	for _, c := range []struct {
		call  string
		after int
	}{{"write", 0}, {"write", 100_000}, {"patch", 0}, {"sync", 0}, {"read", 0}, {"close", 0}} {
		path := filepath.Join(t.TempDir(), "x.mp3")
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o644)
		if err != nil {
			t.Fatal(err)
		}
		_, err = writeOrRemove(context.Background(), path, &failing{f, c.call, c.after}, sourceOf(make([]float32, 400_000)), at192)
		if !errors.Is(err, errDisk) {
			t.Errorf("%s: error %v", c.call, err)
		}
		wantGone(t, path)
	}
}

func TestFullDevice(t *testing.T) {
	f, err := os.OpenFile("/dev/full", os.O_RDWR, 0)
	if err != nil {
		t.Skip("this system has no /dev/full")
	}
	defer f.Close()
	if _, err := writeFile(context.Background(), f, sourceOf(make([]float32, 10000)), at192); err == nil {
		t.Error("a full disk was not noticed")
	}
}

func wantGone(t *testing.T, path string) {
	t.Helper()
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("something is left behind: %v", err)
	}
}
