package takes

import (
	"runtime"
	"sync"
	"sync/atomic"
)

// onCores calls do for each of 0 to n-1, several at once where there are cores; 0 workers are
// as many as there are. A panic of do comes out on the caller's goroutine, and no goroutine
// is left.
func onCores(workers, n int, do func(i int)) {
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	var all sync.WaitGroup
	var next atomic.Int64
	var panicked atomic.Pointer[any] // the first
	work := func() {
		defer func() {
			if p := recover(); p != nil {
				panicked.CompareAndSwap(nil, &p)
			}
		}()
		for i := int(next.Add(1)) - 1; i < n && panicked.Load() == nil; i = int(next.Add(1)) - 1 {
			do(i)
		}
	}
	for range min(workers, n) - 1 {
		all.Go(work)
	}
	work()
	all.Wait()
	if p := panicked.Load(); p != nil {
		panic(*p)
	}
}
