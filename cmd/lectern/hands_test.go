package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"lectern/watcher"
)

// What stands in for a file that is not there yet is waited for, not set aside.
func TestCompleteWaitsForWhatIsBlank(t *testing.T) {
	take := shortTake(1)
	late := append(make([]byte, 5000), take...)
	for _, c := range []struct {
		name    string
		content []byte
		want    watcher.Completion
	}{
		{"whole", take, watcher.Whole},
		{"its size alone", make([]byte, len(take)), watcher.Arriving},
		{"a short file of zeros", make([]byte, 10), watcher.Arriving},
		{"the beginning not there yet", late, watcher.Arriving},
		{"half", take[:len(take)/2], watcher.Arriving},
		{"a letter", bytes.Repeat([]byte("dear "), 2000), watcher.Refused},
		{"zeros inside", append(bytes.Clone(take[:44]), make([]byte, len(take)-44)...), watcher.Whole},
	} {
		path := filepath.Join(t.TempDir(), "take.wav")
		if err := os.WriteFile(path, c.content, 0o640); err != nil {
			t.Fatal(err)
		}
		if got := complete(path); got.State != c.want {
			t.Errorf("%s: %+v, want state %d", c.name, got, c.want)
		}
	}
}
