package encode

import (
	"context"
	"errors"
	"math"
	"os"
	"testing"
	"testing/synctest"
)

// compared decodes the file side by side and returns every block that was delivered.
func compared(t *testing.T, path string, w Written, x []float32, workers, most int) (blocks []float32, p Proof) {
	t.Helper()
	s, f := walked(t, path)
	c, err := compare(context.Background(), f, s, w, sourceOf(x), func(b []float32) error {
		if len(b) != samplesPerFrame && len(blocks)+len(b) != len(x) {
			t.Fatalf("a block of %d samples after %d of %d", len(b), len(blocks), len(x))
		}
		blocks = append(blocks, b...)
		return nil
	}, workers, most)
	if err != nil {
		t.Fatal(err)
	}
	return blocks, c.proof(s)
}

// The decoder in one pass is NewDecoder, which knows nothing of stretches.
func TestStretchesAreOnePass(t *testing.T) {
	for name, x := range hardSounds(50_000) {
		path, w := written(t, x, Options{BitrateKbps: 192, Workers: 1})
		want := decoded(t, path)[0]
		_, first := compared(t, path, w, x, 1, 1<<20)
		for _, most := range []int{4, 8, 40, stretchFrames} {
			for workers := 1; workers <= 8; workers += 3 {
				got, p := compared(t, path, w, x, workers, most)
				sameSamples(t, name, got, want)
				if !sameProof(p, first) {
					t.Errorf("%s on %d cores in stretches of %d: proof %v, in one %v", name, workers, most, p.figures(), first.figures())
				}
			}
		}
	}
}

func TestStretchesAreOnePassAtAnyLength(t *testing.T) {
	all := limitedSpeech(10*samplesPerFrame+7, 0.7)
	for _, n := range []int{1, 94, 95, 96, 1151, 1152, 1153, 5*1152 - 1058, 5*1152 - 1057, 5 * 1152, 5*1152 + 1, 5*1152 + 94, 5*1152 + 95, 5*1152 + 96, 9 * 1152, 9*1152 + 95, 9*1152 + 96, len(all)} {
		x := all[:n]
		path, w := written(t, x, at192)
		got, _ := compared(t, path, w, x, 2, 4)
		sameSamples(t, "", got, decoded(t, path)[0])
	}
}

// A stretch that does not begin at a multiple of 4 frames is summed in another order;
// the difference, far below what anyone hears, must show here.
func TestStretchesElsewhereDiffer(t *testing.T) {
	x := whiteNoise(50_000, 0.3)
	path, w := written(t, x, at192)
	got, _ := compared(t, path, w, x, 2, 5)
	want := decoded(t, path)[0]
	differ := 0
	for i := range want {
		if got[i] != want[i] {
			differ++
		}
	}
	if far := farthest(got, want); differ == 0 || far > 0.01 {
		t.Errorf("%d samples differ by up to %g steps; want some, by rounding alone", differ, far)
	}
}

func TestProofIsTheSameOnAnyNumberOfCores(t *testing.T) {
	x := limitedSpeech(400_000, 0.7)
	path, w := written(t, x, at192)
	var first Proof
	for workers := 1; workers <= 8; workers++ {
		p, err := Prove(context.Background(), path, w, Options{BitrateKbps: 192, Workers: workers}, sourceOf(x), nil)
		if err != nil {
			t.Fatal(err)
		}
		if workers == 1 {
			first = p
		} else if !sameProof(p, first) {
			t.Errorf("%d cores: %v, on one %v", workers, p.figures(), first.figures())
		}
	}
}

func TestFailingProofLeavesNoGoroutine(t *testing.T) { synctest.Test(t, failingProof) }

func failingProof(t *testing.T) {
	x := limitedSpeech(400_000, 0.7)
	path, w := written(t, x, at192)
	enough := errors.New("enough")
	blocks := 0
	_, err := Prove(context.Background(), path, w, at192, sourceOf(x), func([]float32) error {
		if blocks++; blocks == 150 {
			return enough
		}
		return nil
	})
	if !errors.Is(err, enough) || blocks != 150 {
		t.Errorf("a sink that fails: %v after %d blocks", err, blocks)
	}
	calls := 0
	_, err = Prove(context.Background(), path, w, at192, func(dst []float32) (int, error) {
		if calls++; calls == 3 {
			return 0, enough
		}
		return len(dst), nil
	}, nil)
	if !errors.Is(err, enough) {
		t.Errorf("a source that fails: %v", err)
	}
	ctx, stop := context.WithCancel(context.Background())
	rest := sourceOf(x)
	_, err = Prove(ctx, path, w, at192, func(dst []float32) (int, error) {
		stop()
		return rest(dst)
	}, nil)
	if !errors.Is(err, context.Canceled) {
		t.Errorf("stopped on the way: %v", err)
	}
	// The inside of a frame in the last stretch is broken: too many big values.
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := len(b) - 3*627 // within the last frames
	for parseHeader(b[at:])&^0x200 != frameHeader(11, 0) {
		at++
	}
	b[at+headerBytes+3], b[at+headerBytes+4] = b[at+headerBytes+3]|0x1F, 0xFF
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	s, f := walked(t, path)
	if _, err := compare(context.Background(), f, s, w, sourceOf(x), nil, 2, 8); err == nil || err.Error() != "1 frames cannot be decoded" {
		t.Errorf("a broken frame: %v", err)
	}
}

// sameProof compares bit for bit, no number with no number as well.
func sameProof(a, b Proof) bool {
	same := a.Stream.Frames == b.Stream.Frames && a.Stream.Samples == b.Stream.Samples
	for i, v := range a.figures() {
		same = same && math.Float64bits(v) == math.Float64bits(b.figures()[i])
	}
	return same
}

func (p Proof) figures() [9]float64 {
	return [9]float64{p.GainDB, p.SNRDB, p.ErrorDBFS, p.FedDBFS, p.PeakMoveDB, p.OffPart, p.OffAtS, p.WorstDB, p.WorstAtS}
}

func sameSamples(t *testing.T, what string, got, want []float32) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%s: %d samples, in one pass %d", what, len(got), len(want))
		return
	}
	for i := range want {
		if math.Float32bits(got[i]) != math.Float32bits(want[i]) {
			t.Errorf("%s: sample %d of %d is %g, in one pass %g", what, i, len(want), got[i], want[i])
			return
		}
	}
}
