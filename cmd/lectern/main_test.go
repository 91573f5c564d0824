package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"syscall"
	"testing"

	"lectern/config"
)

func TestExitCode(t *testing.T) {
	refused := config.Set(new(config.Settings), "nonsense")
	for _, tt := range []struct {
		err  error
		want int
	}{
		{nil, 0},
		{errors.New("disk full"), 1},
		{wrongUsage("no such flag"), 2},
		{fmt.Errorf("load: %w", refused), 2},
		{&exitError{code: exitAttention}, 3},
		{fmt.Errorf("check: %w", &exitError{exitAttention, errors.New("one file fails")}), 3},
	} {
		if got := exitCode(tt.err); got != tt.want {
			t.Errorf("exitCode(%v) = %d, want %d", tt.err, got, tt.want)
		}
	}
}

func TestHeed(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	signals := make(chan os.Signal)
	codes := make(chan int)
	hang := &hangups{c: make(chan struct{}, 1)}
	go heed(signals, hang, cancel, func(code int) { codes <- code })

	reload := wantHangups(withHangups(ctx, hang))
	signals <- syscall.SIGHUP
	<-reload
	if ctx.Err() != nil {
		t.Fatal("a wanted SIGHUP stopped the program")
	}
	hang.wanted.Store(false)

	signals <- syscall.SIGHUP
	<-ctx.Done()
	select {
	case code := <-codes:
		t.Fatalf("the first signal ended the program with %d", code)
	default:
	}
	signals <- os.Interrupt
	if code := <-codes; code != 130 {
		t.Errorf("the second signal ends with %d, want 130", code)
	}
}
