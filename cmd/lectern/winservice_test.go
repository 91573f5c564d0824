package main

import (
	"context"
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// manager is a service manager that asks by hand and notes what it is told.
type manager struct {
	asks  chan serviceAsk
	told  []serviceState
	ended chan error
}

func manage(run func(context.Context) error) *manager {
	m := &manager{asks: make(chan serviceAsk), ended: make(chan error, 1)}
	go func() {
		m.ended <- tendService(context.Background(), m.asks, func(s serviceState) { m.told = append(m.told, s) }, run)
	}()
	return m
}

func TestServiceStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := manage(func(ctx context.Context) error {
			<-ctx.Done()
			<-time.After(serviceStopPatience - time.Second) // ends what it is at
			return nil
		})
		m.asks <- askState
		m.asks <- askStop
		<-time.After(2 * time.Second)
		m.asks <- askStop // Windows stops, then the computer goes down
		m.asks <- askState
		began := time.Now()
		if err := <-m.ended; err != nil {
			t.Errorf("ended with %v", err)
		}
		if took := time.Since(began); took != serviceStopPatience-3*time.Second {
			t.Errorf("ended %v after the second stop", took)
		}
		want := []serviceState{serviceRunning, serviceRunning, serviceStopping, serviceStopping, serviceStopping}
		if !slices.Equal(m.told, want) {
			t.Errorf("told %v, want %v", m.told, want)
		}
	})
}

func TestServiceStopsSlowly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		freed := make(chan struct{})
		m := manage(func(context.Context) error { <-freed; return nil })
		began := time.Now()
		m.asks <- askStop
		<-time.After(serviceStopPatience / 2)
		m.asks <- askStop // asked again, it has no longer
		if err := <-m.ended; !errors.Is(err, errSlowStop) {
			t.Errorf("ended with %v", err)
		}
		if took := time.Since(began); took != serviceStopPatience {
			t.Errorf("left after %v, want %v", took, serviceStopPatience)
		}
		close(freed)
	})
}

func TestServiceThatEndsByItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		broken := errors.New("no such settings")
		m := manage(func(context.Context) error { return broken })
		if err := <-m.ended; !errors.Is(err, broken) {
			t.Errorf("ended with %v, want %v", err, broken)
		}
		if !slices.Equal(m.told, []serviceState{serviceRunning}) {
			t.Errorf("told %v", m.told)
		}
	})
}
