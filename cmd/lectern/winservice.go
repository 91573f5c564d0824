package main

import (
	"context"
	"errors"
	"time"
)

// serviceStopPatience is how long the daemon may take to stop. What it has begun by then
// is taken up again at the next start. The README promises it of a clean stop.
const serviceStopPatience = 10 * time.Second

// serviceAsk is what a service manager asks of a service.
type serviceAsk int

const (
	askState serviceAsk = iota // to be told the state again
	askStop
)

// serviceState is what a service tells its manager.
type serviceState int

const (
	serviceRunning serviceState = iota
	serviceStopping
)

var errSlowStop = errors.New("the daemon did not stop in time; what it had begun is taken up again at the next start")

// tendService runs the daemon, answers what its manager asks, and returns what the daemon
// ended with; that it has stopped is for the caller to tell. A daemon that does not stop
// in time is left, with errSlowStop.
func tendService(ctx context.Context, asks <-chan serviceAsk, tell func(serviceState), run func(context.Context) error) error {
	running, stop := context.WithCancel(ctx)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- run(running) }()
	state := serviceRunning
	tell(state)
	var tooLong <-chan time.Time // nil until it is to stop
	for {
		select {
		case err := <-ended:
			return err
		case <-tooLong:
			return errSlowStop
		case ask := <-asks:
			if ask == askStop && state == serviceRunning {
				state, tooLong = serviceStopping, time.After(serviceStopPatience)
				stop()
			}
			tell(state)
		}
	}
}
