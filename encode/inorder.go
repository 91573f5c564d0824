package encode

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"
)

// mostWorkers bounds the cores used for one file, our choice: each takes about 1 MB, as do
// two pieces besides, and the samples are read by a single one in any case.
const mostWorkers = 8

// workers returns on how many cores to work.
func (o Options) workers() int {
	n := o.Workers
	if n <= 0 {
		n = runtime.GOMAXPROCS(0)
	}
	return min(n, mostWorkers)
}

// A slot is a piece on its way.
type slot[P any] struct {
	piece P
	err   error
	done  chan struct{}
}

var errCutShort = errors.New("the pieces ended before the last one")

// inOrder does a long piece of work side by side, with at most workers+2 pieces at
// hand, used over and over:
//
//	fill   makes one piece after the other, on a goroutine of its own, up to the last
//	work   is done on several pieces at once; a panic in it is an error
//	take   gets them on the caller's goroutine, in the order in which they were filled
//
// It returns the first error, with no goroutine left. A panic in fill comes out on
// the caller's goroutine.
func inOrder[P any](workers int, fill func(*P) (last bool, err error), work func(worker int, p *P) error, take func(*P) error) error {
	n := workers + 2 // one being filled, one being taken
	// All slots fit into each channel, so that nothing sent ever waits.
	free, todo, order := make(chan *slot[P], n), make(chan *slot[P], n), make(chan *slot[P], n)
	for range n {
		free <- &slot[P]{done: make(chan struct{}, 1)}
	}
	stopped, stop := context.WithCancelCause(context.Background())
	var all sync.WaitGroup
	var panicked any
	defer func() {
		stop(nil)
		all.Wait()
		if panicked != nil {
			panic(panicked)
		}
	}()
	all.Go(func() {
		defer close(order)
		defer close(todo)
		whole := false
		defer func() {
			// A panic, or a fill that ended its goroutine, must not look like the end.
			if panicked = recover(); !whole {
				stop(errCutShort)
			}
		}()
		for {
			var s *slot[P]
			select {
			case s = <-free:
			case <-stopped.Done():
				return
			}
			last, err := fill(&s.piece)
			if err != nil {
				stop(err)
				return
			}
			order <- s
			todo <- s
			if last {
				whole = true
				return
			}
		}
	})
	for worker := range workers {
		all.Go(func() {
			for s := range todo {
				if stopped.Err() == nil {
					s.err = guarded(func() error { return work(worker, &s.piece) })
				}
				s.done <- struct{}{}
			}
		})
	}
	for s := range order {
		<-s.done
		if stopped.Err() != nil {
			continue
		}
		err := s.err
		if err == nil {
			err = take(&s.piece)
		}
		if err != nil {
			stop(err)
			continue
		}
		free <- s
	}
	return context.Cause(stopped) // nil unless stopped
}

// guarded makes a panic of f an error.
func guarded(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("our fault: %v", p)
		}
	}()
	return f()
}
