package watcher

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestFaultOfTheLoopIsAnError: a fault of the loop ends this Run with an error, and
// neither the process nor what lies in the inbox.
func TestFaultOfTheLoopIsAnError(t *testing.T) {
	ws := newWorkspace(t)
	drop(t, ws, "03 The Ferry.wav", "") // which is told of as empty
	s := quickly(t, func(Event) { panic("a fault") })
	s.UnfinishedWait = time.Hour
	var fault *panicError
	if err := Run(context.Background(), ws, s, testHands(), testLog()); !errors.As(err, &fault) {
		t.Fatalf("Run ended with %v, want the fault", err)
	}
	if _, err := os.Stat(filepath.Join(ws.Inbox, "03 The Ferry.wav")); err != nil {
		t.Error(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	s.Notice = func(Event) { stop() }
	if err := Run(ctx, ws, s, testHands(), testLog()); err != nil {
		t.Errorf("the next Run ended with %v", err)
	}
}
