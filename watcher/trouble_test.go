package watcher

import (
	"context"
	"io/fs"
	"os"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"lectern/watcher/internal/durable"
)

func TestDiskTroubleIsNeverTheRecordingsFault(t *testing.T) {
	hands := testHands()
	var tries atomic.Int32
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		if tries.Add(1) <= 20 {
			return Made{}, &os.PathError{Op: "read", Path: "raw", Err: syscall.EIO}
		}
		return testMake(ctx, job)
	}
	inBubble(t, hands, nil, func(b *bubble) {
		drop(b, b.ws, "Tides/01.wav", "x")
		b.after(time.Minute)
		if n := tries.Load(); n < 4 || n > 8 {
			b.Errorf("%d tries in the first minute", n)
		}
		b.after(12 * time.Hour)
		b.wantFile("finished/Tides/01.mp3", true)
		if n := tries.Load(); n != 21 {
			b.Errorf("%d tries", n)
		}
	})
}

// sickDisk fails every flush with the error it holds, if any.
type sickDisk struct {
	durable.Disk
	ill atomic.Pointer[error]
}

func (d *sickDisk) Create(path string, perm fs.FileMode) (durable.File, error) {
	f, err := d.Disk.Create(path, perm)
	return &sickFile{f, d}, err
}

type sickFile struct {
	durable.File
	disk *sickDisk
}

func (f *sickFile) Sync() error {
	if ill := f.disk.ill.Load(); ill != nil {
		return *ill
	}
	return f.File.Sync()
}

func TestFullDiskAtTheFlush(t *testing.T) {
	for _, err := range []error{syscall.ENOSPC, syscall.EIO, syscall.EROFS} {
		t.Run(err.Error(), func(t *testing.T) {
			disk := &sickDisk{}
			inBubble(t, testHands(), func(s *Settings) { s.fs = disk }, func(b *bubble) {
				b.after(time.Second)
				disk.ill.Store(&err)
				sum := drop(b, b.ws, "Tides/01.wav", "x")
				b.after(time.Hour)
				b.wantFile("finished/Tides/01.mp3", false)
				b.wantFile("setaside/Tides", false)
				if n := b.lines.FilterMessageSnippet("could not be taken").Len(); n < 5 || n > 80 {
					b.Errorf("%d tries in an hour", n)
				}
				disk.ill.Store(nil)
				wait := retryMax
				if isDiskFull(err) {
					wait = retryFullMax
				}
				b.after(wait + time.Minute)
				b.wantFile("finished/Tides/01.mp3", true)
				if err := invariant(b.ws, map[string]int{sum: 1}, true); err != nil {
					b.Error(err)
				}
			})
		})
	}
}

func TestPausedWhileTheDiskIsNearlyFull(t *testing.T) {
	inBubble(t, testHands(), func(s *Settings) { s.FreeMarginBytes = 1 << 60 }, func(b *bubble) {
		drop(b, b.ws, "Tides/01.wav", "x")
		b.after(time.Hour)
		b.wantLine(1, "paused: the disk is nearly full")
		b.wantFile("inbox/Tides/01.wav", true)
		if names, err := namesIn(b.ws.Working); err != nil || len(names) > 0 {
			b.Errorf("working holds %q, %v", names, err)
		}
	})
}

func TestRoomForRunningJobsIsPromised(t *testing.T) {
	ws := newWorkspace(t)
	d := newDaemon(ws, Settings{FreeMarginBytes: 1}.withDefaults(), testHands(), zap.NewNop())
	free, err := freeBytes(ws.Working)
	check(t, err)
	half := room{working: free * 6 / 10}
	if !d.hasRoom(half) {
		t.Error("no room for a job that fits")
	}
	d.promised["a"] = half
	if d.hasRoom(half) {
		t.Error("room was promised twice")
	}
	// 635 MB of scratch an hour and an MP3 of 86.4 MB with a fifth to spare.
	if got, want := d.roomFor(3600, 1).working, int64(635e6+86.4e6*1.2); got < want-1e6 || got > want+1e6 {
		t.Errorf("an hour needs %d bytes, want about %d", got, want)
	}
}

func TestNameThatMakesTheProgramFailIsSetAside(t *testing.T) {
	hands := testHands()
	hands.Sort = func(book, name string) Sorted {
		if strings.HasPrefix(name, "poison") {
			panic("a fault of the parser")
		}
		return testSort(book, name)
	}
	inBubble(t, hands, nil, func(b *bubble) {
		sum := drop(b, b.ws, "Tides/poison.wav", "x")
		other := drop(b, b.ws, "Tides/01.wav", "y")
		b.after(time.Minute)
		b.wantFile("setaside/Tides/poison - please read.txt", true)
		b.wantFile("finished/Tides/01.mp3", true)
		if err := invariant(b.ws, map[string]int{sum: 1, other: 1}, true); err != nil {
			b.Error(err)
		}
	})
}
