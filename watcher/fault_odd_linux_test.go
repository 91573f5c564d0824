package watcher

import (
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// Row 29: what lies in an inbox and is no take. Nothing that may be a recording is
// passed over in silence, and nothing else is touched.
func TestFaultJunk(t *testing.T) {
	const (
		left  = "left alone"              // others' files and unfinished ones: not a word
		line  = "named in one line"       // stays
		aside = "set aside with a note"   // leaves the inbox
		waits = "waits, with one line"    // stays
		taken = "made into a chapter"     // leaves the inbox
		gone  = "a folder, looked into"   // stays
		deep  = "too deep, says one line" // stays
	)
	kinds := []struct{ name, content, want string }{
		{"._x.wav", "x", left}, {".DS_Store", "x", left}, {"Thumbs.db", "x", left}, {"desktop.ini", "x", left},
		{"~$x.wav", "x", left}, {"x.wav.part", "x", left}, {"x.wav.tmp", "x", left}, {"x.wav.partial", "x", left},
		{"x.wav.filepart", "x", left}, {"x.wav.crdownload", "x", left}, {".syncthing.x.wav.tmp", "x", left},
		{"~syncthing~x.wav.tmp", "x", left}, {".nfs0000000000abcdef", "x", left}, {".smbdeleteAAA04", "x", left},
		{"notes.txt", "x", left}, {"cover.jpg", "x", left}, {"about.toml", "x", left},
		{"song.mp3", "x", line}, {"song.flac", "x", line}, {"song.aiff", "x", line}, {"song.m4a", "x", line}, {"song.w64", "x", line},
		{"empty.wav", "", aside}, {"text.wav", refused, aside}, {"noise.wav", badRaw, aside}, {"x - Copy.wav", "x", aside},
		{"half.wav", arriving, waits}, {"good.wav", "good", taken}, {"good again.wav ", "again", taken}, {"LOUD.WAV", "loud", taken},
		{"Book.wav/in a book.wav", "in a folder that is called like a recording", taken},
		{"Book.wav/deeper.wav/too deep.wav", "deep", deep},
	}
	inBubble(t, testHands(), nil, func(b *bubble) {
		for _, k := range kinds {
			path := filepath.Join(b.ws.Inbox, k.name)
			check(b, os.MkdirAll(filepath.Dir(path), 0o770))
			check(b, os.WriteFile(path, []byte(k.content), 0o640))
		}
		b.after(time.Hour)
		wrong, silent := 0, 0
		fail := func(format string, args ...any) { wrong++; b.Errorf(format, args...) }
		for _, k := range kinds {
			base := filepath.Base(k.name)
			if k.want == deep {
				base = "deeper.wav"
			}
			lines := 0
			for _, l := range b.lines.All() {
				if l.ContextMap()["name"] == base || fmt.Sprint(l.ContextMap()["raws"]) == "["+base+"]" || strings.HasPrefix(l.Message, stemOf(base)+": ") || strings.HasPrefix(l.Message, Plain(base)+": ") {
					lines++
				}
			}
			if lines == 0 && k.want != left {
				silent++
			}
			data, err := os.ReadFile(filepath.Join(b.ws.Inbox, k.name))
			there := err == nil && string(data) == k.content
			stays := k.want != aside && k.want != taken
			if there != stays {
				fail("%q (%s): in the inbox as it was: %v, %v", k.name, k.want, there, err)
			}
			switch k.want {
			case left:
				if lines != 0 {
					fail("%q: %d lines", k.name, lines)
				}
			case line, deep:
				if lines != 1 {
					fail("%q: %d lines", k.name, lines)
				}
			case aside:
				if !exists(filepath.Join(b.ws.SetAside, base)) || !exists(filepath.Join(b.ws.SetAside, stemOf(base)+pleaseRead)) {
					fail("%q is not set aside with a note", k.name)
				}
			}
		}
		if n := b.count(Finished); n != 4 {
			fail("%d chapters made, want 4", n)
		}
		row(b, "29", "what is no take, or no good one", len(kinds), silent, wrong, "%d kinds, %d of those that may be recordings passed over in silence", len(kinds), silent)
		if b.Failed() {
			b.Log(messages(b.lines))
		}
	})
}

// Row 30: what waits for ever, or never ends, when it is opened. The system itself
// tells whether it was.
func TestFaultPipesAndDevices(t *testing.T) {
	needRoot(t)
	ws := memoryWorkspace(t)
	watcher, err := unix.InotifyInit1(unix.IN_NONBLOCK)
	check(t, err)
	defer unix.Close(watcher)
	const zero = 1<<8 | 5 // the device /dev/zero
	kinds := 0
	for _, folder := range []string{ws.Inbox, filepath.Join(ws.Inbox, "Tides")} {
		check(t, os.MkdirAll(folder, 0o770))
		at := func(name string) string { kinds++; return filepath.Join(folder, name) }
		pipe, device, socket := at("pipe.wav"), at("zero.wav"), at("socket.wav")
		check(t, unix.Mkfifo(pipe, 0o640))
		check(t, unix.Mknod(device, unix.S_IFCHR|0o640, zero))
		listener, err := net.Listen("unix", socket)
		check(t, err)
		defer listener.Close()
		for _, path := range []string{pipe, device, socket} {
			_, err := unix.InotifyAddWatch(watcher, path, unix.IN_OPEN)
			check(t, err)
		}
	}
	ev := newEvents(t)
	s := quickly(t, ev.notice)
	s.Rescan = 20 * time.Millisecond
	stop, lines := watch(t, ws, s, testHands())
	for i := range 3 {
		drop(t, ws, fmt.Sprintf("Tides/%02d.wav", i), "beside them")
		ev.wait(1, Finished)
	}
	stop()
	wrong := 0
	if n := lines.FilterMessageSnippet("refused, because it is a link or a device").Len(); n != kinds {
		wrong++
		t.Errorf("%d lines of %d things", n, kinds)
	}
	n, err := unix.Read(watcher, make([]byte, 4096))
	if !errors.Is(err, unix.EAGAIN) {
		wrong++
		t.Errorf("something was opened: %d bytes of notifications, %v", n, err)
	}
	row(t, "30", "a pipe, a socket, a device called like recordings", kinds, 0, wrong, "none was opened, each refused in one line, the takes beside them made")
}

// Row 32: a recording with a second name that somebody else owns, and one that carries
// rights of its own.
func TestFaultForeignRecordings(t *testing.T) {
	needRoot(t)
	const nobody = 65534
	tries, wrong := inShort(3, 10), 0
	ws := memoryWorkspace(t)
	ev := newEvents(t)
	stop, _ := watch(t, ws, quickly(t, ev.notice), testHands())
	dropped := map[string]int{}
	for i := range tries {
		theirs := filepath.Join(ws.Root, fmt.Sprintf("theirs %d", i))
		check(t, os.WriteFile(theirs, []byte(fmt.Sprint("theirs ", i)), 0o600))
		check(t, os.Chown(theirs, nobody, nobody))
		check(t, os.Chmod(theirs, 0o755|os.ModeSetuid|os.ModeSetgid))
		before, err := os.Stat(theirs)
		check(t, err)
		check(t, os.Link(theirs, filepath.Join(ws.Inbox, fmt.Sprintf("%02d.wav", i))))
		dropped[sumOf([]byte(fmt.Sprint("theirs ", i)))] = 1
		ev.wait(1, Finished)
		waitIdle(t, ws)
		after, err := os.Stat(theirs)
		check(t, err)
		filed, err := os.Stat(filepath.Join(ws.Archive, fmt.Sprintf("%02d.r1.wav", i)))
		check(t, err)
		data, err := os.ReadFile(theirs)
		switch {
		case err != nil || string(data) != fmt.Sprint("theirs ", i) || after.Mode() != before.Mode() || !after.ModTime().Equal(before.ModTime()):
			wrong++
			t.Errorf("their file is now %q, %v, %v (%v)", data, after.Mode(), after.ModTime(), err)
		case filed.Mode() != 0o440 || sharesInode(filed) || os.SameFile(filed, after):
			wrong++
			t.Errorf("archived with mode %v, shared: %v", filed.Mode(), sharesInode(filed))
		}
	}
	stop()
	wrong += amiss(t, invariant(ws, dropped, true))
	row(t, "32", "a recording that is also somebody else's file, with rights of its own", tries, 0, wrong, "copied, mode 0440, theirs unchanged")
}
