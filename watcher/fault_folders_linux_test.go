package watcher

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Row 25: the inbox gets another name, and a new one takes its place. There are no
// rescans, so that only the notifications lead on.
func TestFaultInboxReplaced(t *testing.T) {
	tries, dropped := inShort(3, 20), map[string]int{}
	ws := memoryWorkspace(t)
	stop, lines := watch(t, ws, quickly(t, nil), testHands())
	within(t, "it watches", func() bool { return lines.FilterMessageSnippet("watching").Len() == 1 })
	slowest := time.Duration(0)
	for i := range tries {
		check(t, os.Rename(ws.Inbox, fmt.Sprintf("%s %d", ws.Inbox, i)))
		if i%2 == 1 { // every other time its absence is noticed first
			within(t, "the missing inbox is told of", func() bool {
				return lines.FilterMessageSnippet("cannot be looked into").Len() >= (i+1)/2
			})
		}
		check(t, os.Mkdir(ws.Inbox, 0o770))
		start := time.Now()
		dropped[drop(t, ws, "Tides/"+fmt.Sprintf("%02d.wav", i), fmt.Sprint("recording ", i))] = 1
		within(t, "what was dropped then is made", func() bool { return archived(ws) == i+1 })
		slowest = max(slowest, time.Since(start))
	}
	waitIdle(t, ws)
	stop()
	wrong := amiss(t, invariant(ws, dropped, true))
	row(t, "25", "the inbox renamed and made anew (no rescans)", tries, tries-archived(ws), wrong, "found again within %.1f s", slowest.Seconds())
}

// Row 26: folders are made, and filled at once, as by the unpacking of an archive. A
// file may be there before its folder is watched.
func TestFaultFoldersFilledAtOnce(t *testing.T) {
	folders, dropped := inShort(20, 200), map[string]int{}
	ws := memoryWorkspace(t)
	stop, lines := watch(t, ws, quickly(t, nil), testHands())
	within(t, "it watches", func() bool { return lines.FilterMessageSnippet("watching").Len() == 1 })
	for i := range folders {
		deep := filepath.Join(ws.Inbox, fmt.Sprintf("Book %03d", i), "b", "c")
		check(t, os.MkdirAll(deep, 0o770))
		for k, dir := range []string{filepath.Dir(filepath.Dir(deep)), deep} {
			text := fmt.Sprint("recording ", i, " ", k)
			check(t, os.WriteFile(filepath.Join(dir, fmt.Sprintf("%02d.wav", k)), []byte(text), 0o640))
			dropped[sumOf([]byte(text))] = 1
		}
	}
	patiently(t, "all chapters are made", time.Minute, func() bool { return archived(ws) == folders })
	waitIdle(t, ws)
	stop()
	wrong := amiss(t, invariant(ws, dropped, true))
	if n := lines.FilterMessageSnippet("too deep").Len(); n != folders {
		wrong++
		t.Errorf("%d lines say that a folder is too deep", n)
	}
	row(t, "26", "book folders made and filled at once, a deeper one in each", folders, folders-archived(ws), wrong,
		"%d chapters made, what is too deep named and left", archived(ws))
}

// Row 18: a copy that has its full size from the start and is opened afresh for every
// part, so that nothing but its quiet tells that it goes on. It needs the real clock:
// the system dates a file by it.
func TestFaultPreallocatedReopened(t *testing.T) {
	const parts = 8
	quiet := 400 * time.Millisecond
	tries, void, early := inShort(3, 20), 0, 0
	ws := memoryWorkspace(t)
	ev := newEvents(t)
	s := quickly(t, ev.notice)
	s.Quiet = quiet
	stop, _ := watch(t, ws, s, testHands())
	dropped := map[string]int{}
	for i := 0; i < tries; i++ {
		path := filepath.Join(ws.Inbox, fmt.Sprintf("%02d.wav", i+void))
		content := strings.Repeat(fmt.Sprint(i+void, " "), 4000)
		check(t, os.WriteFile(path, make([]byte, len(content)), 0o640))
		last, tooSlow, taken := time.Now(), false, false
		for p := range parts {
			pause(quiet / 4)
			// On a machine too busy to write in time the file really was quiet.
			tooSlow = tooSlow || time.Since(last) > quiet/2
			f, err := os.OpenFile(path, os.O_WRONLY, 0)
			if errors.Is(err, os.ErrNotExist) {
				taken = true
				break
			}
			check(t, err)
			last = time.Now()
			from, to := p*len(content)/parts, (p+1)*len(content)/parts
			_, err = f.WriteAt([]byte(content[from:to]), int64(from))
			check(t, errors.Join(err, f.Close()))
		}
		if !taken {
			old := time.Date(2020, 1, 2, 3, 4, 5, 0, time.UTC)
			check(t, os.Chtimes(path, old, old))
			dropped[sumOf([]byte(content))] = 1
		}
		ev.wait(1, Finished)
		switch {
		case taken && tooSlow && void < tries:
			void++
			i--
		case taken:
			early++
		}
	}
	waitIdle(t, ws)
	stop()
	wrong := amiss(t, invariant(ws, dropped, true))
	row(t, "18", "preallocated copy, opened for each part (quiet time 0.4 s instead of 5)", tries, 0, wrong+early,
		"%d claimed early; %d more tries were void, since this machine was too slow", early, void)
}

// Row 3: after the power cut the disk comes back under another number, as it may when
// disks are plugged in anew.
func TestFaultDiskRenumbered(t *testing.T) {
	disk, other := newLoopDisk(t, 32), newLoopDisk(t, 1)
	calls := callsOf(t, secondRevision, disk)
	tries, wrong, renumbered := 0, 0, 0
	for at := 1; at <= calls; at += inShort(20, 4) {
		l := newPowerLife(t, secondRevision, disk)
		if cut, out := l.run(t, at, 0, ""); !cut {
			t.Fatalf("no cut before call %d: %s", at, out)
		}
		before := deviceOf(t, disk.dir)
		// Off together and on in the other order, each takes the other's loop device.
		command(t, "umount", disk.dir)
		command(t, "umount", other.dir)
		if tries%2 == 0 {
			command(t, "mount", "-o", "loop", other.image, other.dir)
		}
		command(t, "mount", "-o", "loop", disk.image, disk.dir)
		if tries%2 == 1 {
			command(t, "mount", "-o", "loop", other.image, other.dir)
		}
		if deviceOf(t, disk.dir) != before {
			renumbered++
		}
		tries++
		if err := l.end(t); err != nil {
			wrong++
			t.Errorf("cut before call %d: %v", at, err)
		}
		l.remove(t)
	}
	row(t, "3", "power cut, and the disk comes back under another number", tries, 0, wrong, "%d times it had another one", renumbered)
	if renumbered == 0 {
		t.Error("the disk kept its number: this test proves nothing")
	}
}

func deviceOf(t testing.TB, path string) uint64 {
	t.Helper()
	info, err := os.Stat(path)
	check(t, err)
	return lookAt(info).Device
}
