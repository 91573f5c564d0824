package pipeline

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/report"
	"lectern/pipeline/takes"
)

// In a bubble of synctest a goroutine that is left behind ends the test as a deadlock.
func TestAsideStopsAll(t *testing.T) {
	broken := errors.New("cable pulled")
	fails := func() error { return broken }
	panics := func() error { panic("lost") }
	stops := func() error { return context.Canceled }
	const whole = 50 * blockSamples / 3 // samples, in blocks of a third
	for name, c := range map[string]struct {
		stream, use func() error // what is done in the middle, nil for nothing
		says        string
	}{
		"all well":            {nil, nil, ""},
		"a use fails":         {nil, fails, "cable pulled"},
		"a use panics":        {nil, panics, "panic: lost"},
		"the stream fails":    {fails, nil, "cable pulled"},
		"the stream stops":    {stops, nil, "context canceled"},
		"the stream panics":   {panics, nil, "panic: lost"},
		"both fail":           {fails, fails, "cable pulled"},
		"one fails, one ends": {stops, fails, "cable pulled or context canceled"},
	} {
		for workers := 1; workers <= 5; workers++ {
			for _, at := range []int{0, 20 * blockSamples / 3, whole - 1} { // the last is found when all has been handed over
				synctest.Test(t, func(t *testing.T) {
					heard := make([]int, 3)
					uses := make([]use, len(heard))
					for i := range uses {
						uses[i] = func(ch [][]float32) error {
							for k, x := range ch[0] {
								if int(x) != heard[i] || ch[1][k] != -x {
									return fmt.Errorf("use %d: sample %g, %g came as number %d", i, x, ch[1][k], heard[i])
								}
								if heard[i] == at && i == 1 && c.use != nil {
									return c.use()
								}
								heard[i]++
							}
							return nil
						}
					}
					err := caught(func() error {
						return aside(workers, func(add use) error {
							for from := 0; from < whole; from += blockSamples / 3 {
								if from <= at && at < from+blockSamples/3 && c.stream != nil {
									return c.stream()
								}
								if err := add(countFrom(from, min(blockSamples/3, whole-from))); err != nil {
									return err
								}
							}
							return nil
						}, uses...)
					})
					says := ""
					if err != nil {
						says = err.Error()
					}
					if says != c.says && (says == "" || !strings.Contains(c.says, says)) {
						t.Errorf("%s at %d on %d: %q, want %q", name, at, workers, says, c.says)
					}
					for i, n := range heard {
						if err == nil && n != whole {
							t.Errorf("%s on %d: use %d heard %d samples of %d", name, workers, i, n, whole)
						}
					}
				})
			}
		}
	}
}

// countFrom is a block of two channels: numbers that rise, and fall.
func countFrom(from, n int) [][]float32 {
	ch := [][]float32{make([]float32, n), make([]float32, n)}
	for i := range n {
		ch[0][i], ch[1][i] = float32(from+i), -float32(from+i)
	}
	return ch
}

// caught makes a panic that comes out of f an error.
func caught(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v", p)
		}
	}()
	return f()
}

// TestAsideIsAside: a use that waits holds up neither the others nor the stream, as long as
// there are blocks left.
func TestAsideIsAside(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		heard, read := 0, 0
		goOn := make(chan struct{})
		err := aside(2, func(add use) error {
			for range asideBlocks - 1 {
				if err := add(countFrom(0, blockSamples)); err != nil {
					return err
				}
				read++
			}
			synctest.Wait()
			if heard != asideBlocks-1 {
				t.Errorf("beside a use that waits %d blocks were heard of %d", heard, asideBlocks-1)
			}
			close(goOn)
			return nil
		}, func([][]float32) error { <-goOn; return nil }, func([][]float32) error { heard++; return nil })
		if err != nil || read != asideBlocks-1 {
			t.Errorf("%d blocks read: %v", read, err)
		}
	})
}

// TestWorkersChangeNothing makes a chapter in which a passage is read again and cut, as was
// answered, on different numbers of cores: MP3, report, passage before and what is asked are
// the same, byte for byte.
func TestWorkersChangeNothing(t *testing.T) {
	f, info, err := openRaw(filepath.Join("..", "cmd", "lectern", "demo", "03 The Ferry.wav"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var x []float32
	if _, err := readRaw(t.Context(), f, info, func(ch [][]float32) error { x = append(x, ch[0]...); return nil }); err != nil {
		t.Fatal(err)
	}
	x = slices.Concat(x[:7*sampleRateHz], x[:11*sampleRateHz])
	y := slices.Clone(x)
	for i := range y {
		y[i] *= 0.8
	}
	job := jobOf(t, made.WAVFloat(48000, x, y)) // so it is a little faster
	_, r := mastered(t, job)
	if len(r.Retakes) == 0 {
		t.Fatal("nothing is found to be read again")
	}
	cut := r.Retakes[0]
	job.Answers = []takes.Answer{{RawSHA256: r.Raws[0].SHA256, FromS: float64(cut.FromS), AgainS: float64(cut.AgainS), Cut: true}}
	var want []byte
	for _, workers := range []int{1, 2, 3, 5} {
		job.Dir, job.Workers = t.TempDir(), workers
		m, r := mastered(t, job)
		if r.Retakes[0].State != takes.Cut {
			t.Errorf("the answer did nothing: %+v", r.Retakes[0])
		}
		r.Took = report.Took{}
		told, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		got := slices.Concat(readFile(t, m.MP3), readFile(t, m.Before()), told)
		if want == nil {
			want = got
		}
		if !bytes.Equal(got, want) {
			t.Errorf("on %d cores something else is made", workers)
		}
	}
}
