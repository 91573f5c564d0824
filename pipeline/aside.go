package pipeline

import (
	"context"
	"errors"
	"runtime"
	"sync"
	"sync/atomic"
)

// use takes the next samples of a stream, one slice a channel, and leaves them as they are.
// They are lent for the call only.
type use func(ch [][]float32) error

// hearing is a use that never fails.
func hearing(hear func(ch [][]float32)) use {
	return func(ch [][]float32) error {
		hear(ch)
		return nil
	}
}

// asideBlocks is how many blocks are on their way at once, our choice: a use that finds one
// of them hard does not hold up the others. It takes 130 kB a channel.
const asideBlocks = 8

// aside lets several uses hear one stream side by side. stream hands the samples to add;
// each use gets all of them, in order and in blocks of blockSamples, on a goroutine of its
// own, while stream goes on already. With one worker all is done in turn on the caller's
// goroutine, in the same blocks; 0 workers are as many as there are cores.
//
// It returns the error of stream. That of a use ends the others and comes out of add, so
// that stream ends too, and is returned where stream has ended already. A panic of a use
// comes out on the caller's goroutine. No goroutine is left.
func aside(workers int, stream func(add use) error, uses ...use) error {
	if workers == 1 || workers <= 0 && runtime.GOMAXPROCS(0) == 1 {
		return gather(&lent{}, stream, func(b *lent) (*lent, error) {
			for _, use := range uses {
				if err := use(b.ch); err != nil {
					return nil, err
				}
			}
			return b, nil
		})
	}
	return asideOnEach(stream, uses)
}

// lent is a block on its way.
type lent struct {
	ch   [][]float32
	left atomic.Int32 // uses that are not yet done with it
}

func (b *lent) len() int {
	if len(b.ch) == 0 {
		return 0
	}
	return len(b.ch[0])
}

// fill copies the samples of ch from one on behind those that b holds, as many as there is
// room for, and returns how many.
func (b *lent) fill(ch [][]float32, from int) int {
	for len(b.ch) < len(ch) {
		b.ch = append(b.ch, make([]float32, 0, blockSamples))
	}
	n := min(blockSamples-b.len(), len(ch[0])-from)
	for k, x := range ch {
		b.ch[k] = append(b.ch[k], x[from:from+n]...)
	}
	return n
}

// gather runs stream, fills b from it, and passes it on when it is full and at the end.
// pass returns the next one to fill.
func gather(b *lent, stream func(add use) error, pass func(*lent) (*lent, error)) error {
	var failed error
	err := stream(func(ch [][]float32) error {
		for done := 0; failed == nil && done < len(ch[0]); {
			done += b.fill(ch, done)
			if b.len() < blockSamples {
				break
			}
			if b, failed = pass(b); failed == nil {
				for k := range b.ch {
					b.ch[k] = b.ch[k][:0]
				}
			}
		}
		return failed
	})
	if err == nil && failed == nil && b.len() > 0 {
		_, failed = pass(b)
	}
	if err == nil {
		err = failed
	}
	return err
}

var errUsePanicked = errors.New("panic while samples were used")

// asideOnEach is aside with a goroutine for each use.
func asideOnEach(stream func(add use) error, uses []use) (err error) {
	free := make(chan *lent, asideBlocks)
	for range asideBlocks {
		free <- &lent{}
	}
	stopped, stop := context.WithCancelCause(context.Background())
	queues := make([]chan *lent, len(uses))
	var all sync.WaitGroup
	var panicked atomic.Pointer[any] // the first
	defer func() {
		for _, q := range queues {
			close(q)
		}
		all.Wait()
		if err == nil {
			err = context.Cause(stopped)
		}
		stop(nil)
		if p := panicked.Load(); p != nil {
			panic(*p)
		}
	}()
	for i, use := range uses {
		queues[i] = make(chan *lent, asideBlocks) // all blocks fit: nothing sent ever waits
		all.Go(func() {
			defer func() {
				if p := recover(); p != nil {
					panicked.CompareAndSwap(nil, &p)
					stop(errUsePanicked)
				}
			}()
			for b := range queues[i] {
				if stopped.Err() != nil {
					return
				}
				if err := use(b.ch); err != nil {
					stop(err)
					return
				}
				if b.left.Add(-1) == 0 {
					free <- b
				}
			}
		})
	}
	err = gather(<-free, stream, func(b *lent) (*lent, error) {
		b.left.Store(int32(len(uses)))
		for _, q := range queues {
			q <- b
		}
		select {
		case next := <-free:
			return next, nil
		case <-stopped.Done():
			return nil, context.Cause(stopped)
		}
	})
	if err != nil {
		stop(err)
	}
	return err
}
