package pipeline

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

func scratchOf(t *testing.T, x ...float32) *scratch {
	t.Helper()
	w, err := createScratch(filepath.Join(t.TempDir(), "s.f32"))
	if err != nil {
		t.Fatal(err)
	}
	if err := w.write(x); err != nil {
		t.Fatal(err)
	}
	s, err := w.seal()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.discard)
	return s
}

// TestScratchOutOfRange wants zeros wherever the file holds nothing.
func TestScratchOutOfRange(t *testing.T) {
	s := scratchOf(t, 1, 2, 3)
	for from, want := range map[int64][]float32{
		0: {1, 2, 3, 0}, -2: {0, 0, 1, 2}, 2: {3, 0, 0, 0}, 3: {0, 0, 0, 0}, 1000: {0, 0, 0, 0}, -4: {0, 0, 0, 0}, -1000: {0, 0, 0, 0},
	} {
		got := []float32{9, 9, 9, 9}
		if err := s.read(got, from); err != nil {
			t.Errorf("read from %d: %v", from, err)
		}
		if !slices.Equal(got, want) {
			t.Errorf("from %d: %v, want %v", from, got, want)
		}
	}
	if err := s.read(nil, 1); err != nil {
		t.Errorf("read nothing: %v", err)
	}
}

// TestScratchCutShort wants an error, not silence, where the file lost its end.
func TestScratchCutShort(t *testing.T) {
	s := scratchOf(t, 1, 2, 3, 4)
	if err := os.Truncate(s.file.Name(), 10); err != nil {
		t.Fatal(err)
	}
	if err := s.read(make([]float32, 4), 0); err == nil {
		t.Error("a file that lost its end was read without an error")
	}
	if err := s.read(make([]float32, 2), 0); err != nil {
		t.Errorf("what is still there: %v", err)
	}
}

func TestScratchOwnsItsFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s.f32")
	w, err := createScratch(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := createScratch(path); !errors.Is(err, fs.ErrExist) {
		t.Errorf("a scratch file over another: %v, want fs.ErrExist", err)
	}
	w.discard()
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the file is still there after discard: %v", err)
	}
}
