package pipeline

import (
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"lectern/pipeline/internal/made"
)

var updateGolden = flag.Bool("update-golden", false, "write the sums of what the chain makes now")

// golden holds the sums of made chapters by the chain that made them.
type golden struct {
	Chain       int               `json:"chain"`
	AudioSHA256 map[string]string `json:"audio_sha256"`
}

// goldenJobs are chapters that go through every part of the chain: a usual one, one
// of two takes whose room is too loud, one of a take that is read again, and one aimed at
// a loudness.
func goldenJobs(t *testing.T) map[string]Job {
	wav := func(seed uint64, room float64) []byte { return made.WAV16(made.RateHz, ferry(seed, room).Float32()) }
	usual := jobOf(t, wav(1, -62))
	noisy := jobOf(t, wav(2, -48), wav(3, -46))
	loud := jobOf(t, wav(4, -60))
	loud.Settings.Delivery.LoudnessAimLUFS = -18
	loud.Settings.Delivery.TruePeakMaxDBTP = -3
	again := jobOf(t, wav(5, -62), wav(5, -58))
	return map[string]Job{"usual": usual, "two noisy takes": noisy, "aimed at a loudness": loud, "read again": again}
}

// A finished sample that changes must change Chain too, or a chapter made again would
// be taken for the same. The sums hold on amd64: elsewhere the compiler may round
// otherwise (it fuses x*y + z).
func TestGoldenChain(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the sums were taken on amd64; on " + runtime.GOARCH + " the arithmetic may round otherwise")
	}
	path := filepath.Join("..", "testdata", "golden", "chain.json")
	got := golden{Chain: Chain, AudioSHA256: map[string]string{}}
	for name, job := range goldenJobs(t) {
		m, _ := mastered(t, job)
		got.AudioSHA256[name] = m.Written.AudioSHA256
	}
	if *updateGolden {
		data, err := json.MarshalIndent(got, "", "  ")
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, append(data, '\n'), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var want golden
	if err := json.Unmarshal(data, &want); err != nil {
		t.Fatal(err)
	}
	if want.Chain != got.Chain {
		t.Fatalf("the sums are those of chain %d, this is chain %d; run go test ./pipeline -run TestGoldenChain -update-golden", want.Chain, got.Chain)
	}
	for name, sum := range got.AudioSHA256 {
		if sum != want.AudioSHA256[name] {
			t.Errorf("%s: the finished samples have changed while Chain is still %d; raise it, then run go test ./pipeline -run TestGoldenChain -update-golden", name, Chain)
		}
	}
	if len(want.AudioSHA256) != len(got.AudioSHA256) {
		t.Errorf("there are %d sums for %d chapters", len(want.AudioSHA256), len(got.AudioSHA256))
	}
}
