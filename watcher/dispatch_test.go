package watcher

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// A job that was there when the process died lets the others go first, longer
// after each death; one that is made already waits for nothing.
func TestPatience(t *testing.T) {
	dir := t.TempDir()
	tries := filepath.Join(dir, "tries")
	if err := os.Mkdir(tries, 0o750); err != nil {
		t.Fatal(err)
	}
	j := &job{Dir: dir}
	for died, want := range []time.Duration{0, 0, 4 * time.Second, 8 * time.Second, 16 * time.Second} {
		if got := j.patience(); got != want {
			t.Errorf("after %d deaths it waits %v, want %v", died, got, want)
		}
		mark := filepath.Join(tries, fmt.Sprintf("%d.began", died))
		if err := os.WriteFile(mark, nil, 0o640); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "plan.json"), nil, 0o640); err != nil {
		t.Fatal(err)
	}
	if got := j.patience(); got != 0 {
		t.Errorf("a job that only needs publishing waits %v", got)
	}
}
