//go:build unix

package watcher

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

func TestFIFOIsNeverOpened(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		check(b, syscall.Mkfifo(filepath.Join(b.ws.Inbox, "pipe.wav"), 0o640)) // an open would wait for ever
		drop(b, b.ws, "01.wav", "x")
		b.after(time.Hour)
		b.wantLine(1, "pipe.wav: refused, because it is a link or a device")
		b.wantFile("finished/01.mp3", true)
	})
}

// A recording that somebody else still holds is copied, so that nobody can
// change the archive afterwards.
func TestHeldRecordingIsCopied(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		drop(b, b.ws, "linked.wav", "linked")
		held := filepath.Join(b.ws.Root, "held")
		check(b, os.Link(filepath.Join(b.ws.Inbox, "linked.wav"), held))
		drop(b, b.ws, "setuid.wav", "setuid")
		check(b, os.Chmod(filepath.Join(b.ws.Inbox, "setuid.wav"), 0o640|os.ModeSetuid))
		b.after(time.Minute)
		for _, name := range []string{"linked", "setuid"} {
			info, err := os.Lstat(filepath.Join(b.ws.Archive, name+".r1.wav"))
			check(b, err)
			if sharesInode(info) || info.Mode() != 0o440 {
				b.Errorf("%s is archived with mode %v, shared: %v", name, info.Mode(), sharesInode(info))
			}
		}
		if data, err := os.ReadFile(held); string(data) != "linked" {
			b.Errorf("the other name now holds %q, %v", data, err)
		}
	})
}
