package watcher

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// between names, in a log of calls, the moment between the two steps of a rename.
const between = "between the steps of the rename of "

// Where a disk cannot rename without overwriting, a rename takes two steps, and a crash
// between them leaves what neither the old state nor the new one is.
var renamesInTwoSteps = map[string]func(d *dyingDisk, from, to string) error{
	"by way of a second name": func(d *dyingDisk, from, to string) error {
		if err := os.Link(from, to); err != nil {
			return err
		}
		if err := d.alive(between + filepath.Base(from)); err != nil {
			return err
		}
		return os.Remove(from)
	},
	"by way of an empty file that holds the name": func(d *dyingDisk, from, to string) error {
		hold, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o640)
		if err != nil {
			return err
		}
		if err := hold.Close(); err != nil {
			return err
		}
		if err := d.alive(between + filepath.Base(to)); err != nil {
			return err
		}
		return os.Rename(from, to)
	},
}

func TestCrashBetweenTheStepsOfARename(t *testing.T) {
	for way, rename := range renamesInTwoSteps {
		for _, p := range protocols {
			t.Run(way+"/"+p.name, func(t *testing.T) {
				t.Parallel()
				files := func(d *dyingDisk, from, to string) error {
					if info, err := os.Lstat(from); err != nil || info.IsDir() {
						return d.Disk.Rename(from, to) // folders have a way of their own, in one step
					}
					return rename(d, from, to)
				}
				clean := &dyingDisk{rename: files}
				crashLife(t, p.name, []*dyingDisk{clean})
				crashes := 0
				for _, first := range betweenSteps(clean) {
					recovery := &dyingDisk{rename: files}
					crashLife(t, p.name, []*dyingDisk{{dieAt: first, rename: files}, recovery})
					crashes++
					if os.Getenv("LECTERN_LONG") == "" {
						continue
					}
					for _, second := range betweenSteps(recovery) {
						crashLife(t, p.name, []*dyingDisk{{dieAt: first, rename: files}, {dieAt: second, rename: files}, {rename: files}})
						crashes++
					}
				}
				if crashes < 2 {
					t.Errorf("only %d crashes", crashes)
				}
				t.Logf("%d crashes", crashes)
			})
		}
	}
}

// betweenSteps returns the calls of a disk that stand between the steps of a rename.
func betweenSteps(d *dyingDisk) (at []int) {
	for i, call := range d.log {
		if strings.HasPrefix(call, between) {
			at = append(at, i+1)
		}
	}
	return at
}
