package takes

import (
	"math/rand/v2"
	"reflect"
	"sync/atomic"
	"testing"
)

// TestOnCores wants each done once, however many workers there are, and a panic on the
// goroutine of the caller.
func TestOnCores(t *testing.T) {
	for workers := range 6 {
		for _, n := range []int{0, 1, 2, 100} {
			times := make([]atomic.Int32, n)
			onCores(workers, n, func(i int) { times[i].Add(1) })
			for i := range times {
				if got := times[i].Load(); got != 1 {
					t.Errorf("%d of %d was done %d times by %d workers", i, n, got, workers)
				}
			}
		}
		func() {
			defer func() {
				if p := recover(); p != "in it" {
					t.Errorf("by %d workers came out %v", workers, p)
				}
			}()
			onCores(workers, 50, func(i int) {
				if i == 20 {
					panic("in it")
				}
			})
			t.Errorf("no panic by %d workers", workers)
		}()
	}
}

// TestWorkersFindTheSame wants the same retakes whatever the number of workers.
func TestWorkersFindTheSame(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 4))
	var phrases [][][coefficients]int16
	for i := range 40 {
		phrases = append(phrases, phraseOf(rng, 150))
		if i%7 == 3 { // read again
			phrases = append(phrases, phrases[len(phrases)-1])
		}
	}
	want := drawnVoice(rng, phrases...).Retakes(nil, 1)
	if len(want) < 4 {
		t.Fatalf("%d retakes were found", len(want))
	}
	for _, workers := range []int{0, 2, 5} {
		if got := drawnVoice(rng, phrases...).Retakes(nil, workers); !reflect.DeepEqual(got, want) {
			t.Errorf("%d workers found %+v, one %+v", workers, got, want)
		}
	}
}
