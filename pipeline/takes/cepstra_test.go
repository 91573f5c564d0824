package takes

import (
	"errors"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"lectern/pipeline/speech"
)

// The answer of an Analyzer does not depend on how its stream is cut.
func TestAnalyzerBlocks(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	x := make([]float32, 50000)
	for i := range x {
		x[i] = float32(rng.NormFloat64()) / 10
	}
	whole := NewAnalyzer()
	whole.Add(x)
	parts := NewAnalyzer()
	for rest := x; len(rest) > 0; {
		n := min(len(rest), 1+rng.IntN(3000))
		parts.Add(rest[:n])
		rest = rest[n:]
	}
	if !slices.Equal(whole.cepstra, parts.cepstra) || len(whole.cepstra) < 100 {
		t.Errorf("%d frames in one block and %d in many differ", len(whole.cepstra), len(parts.cepstra))
	}
}

// TestKeptInAFile wants the same voice where the cepstra were kept in a file meanwhile, the
// windows that reach beyond the end among them, and the fault of the disk told.
func TestKeptInAFile(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 1))
	x := make([]float32, 400*speech.FrameSamples)
	for i := range x {
		x[i] = float32(rng.NormFloat64()) / 10
	}
	m := &speech.Map{Features: &speech.Features{Power: make([]float32, 400)}, Phrases: []speech.Span{{From: 10, To: 390}}}
	keep := func(file io.ReadWriteSeeker) (*Voice, error) {
		a := NewAnalyzer()
		a.KeepIn(file)
		a.Add(x)
		return a.Voice(m)
	}
	inMemory := NewAnalyzer()
	inMemory.Add(x)
	want := voiceOn(inMemory, m)
	file, err := os.Create(filepath.Join(t.TempDir(), "cepstra"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	got, err := keep(file)
	if err != nil || !slices.Equal(got.cepstra, want.cepstra) || got.mean != want.mean || got.scale != want.scale {
		t.Errorf("kept in a file the voice is another (%v)", err)
	}
	reads, err := os.Open(file.Name()) // cannot be written to
	if err != nil {
		t.Fatal(err)
	}
	defer reads.Close()
	if _, err := keep(reads); !errors.As(err, new(*fs.PathError)) {
		t.Errorf("a file that cannot be written gives %v", err)
	}
	if _, err := keep(shortFile{}); !errors.Is(err, io.EOF) {
		t.Errorf("a file that lost its end gives %v", err)
	}
}

// shortFile takes all that is written and gives nothing back.
type shortFile struct{}

func (shortFile) Write(p []byte) (int, error)    { return len(p), nil }
func (shortFile) Read([]byte) (int, error)       { return 0, io.EOF }
func (shortFile) Seek(int64, int) (int64, error) { return 0, nil }

// BenchmarkAnalyzer measures one second of sound.
func BenchmarkAnalyzer(b *testing.B) {
	x := make([]float32, speech.SampleRateHz)
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range x {
		x[i] = float32(rng.NormFloat64()) / 10
	}
	a := NewAnalyzer()
	b.ReportAllocs()
	for range b.N {
		a.cepstra = a.cepstra[:0]
		a.Add(x)
	}
}
