package watcher

import (
	"fmt"
	"math"
	"runtime"
	"runtime/debug"

	"go.uber.org/zap/zapcore"
)

// What a chapter needs on disk: an hour of sound is 635 MB of
// scratch (44.1 kHz, 4 bytes a sample) and 86.4 MB of MP3 (192 kbps), with a
// fifth to spare on the latter.
const (
	scratchBytesPerSecond = 44100 * 4
	mp3BytesPerSecond     = 192000 / 8 * 1.2
	// guessBytesPerSecond is 16 bit, 44.1 kHz, mono: what a raw of unknown
	// length is taken for. Our choice.
	guessBytesPerSecond = 44100 * 2
)

// room tells how much one job needs, free, on each disk it writes to.
type room struct{ working, finished, archive int64 }

// roomFor estimates a job from its length in seconds, 0 if unknown, and the
// size of its raws. Only what lies on another disk than working/ is counted
// apart; on one disk the raws are renamed and need nothing.
func (d *daemon) roomFor(seconds float64, rawBytes int64) (r room) {
	if seconds <= 0 {
		seconds = float64(rawBytes) / guessBytesPerSecond
	}
	mp3 := int64(seconds * mp3BytesPerSecond)
	r.working = int64(seconds*scratchBytesPerSecond) + mp3
	if !sameDisk(d.ws.Working, d.ws.Finished) {
		r.finished = mp3
	}
	if !sameDisk(d.ws.Working, d.ws.Archive) {
		r.archive = rawBytes
	}
	return r
}

func (r room) plus(o room) room {
	return room{r.working + o.working, r.finished + o.finished, r.archive + o.archive}
}

// hasRoom tells whether the disks can take need besides what running jobs have
// been promised. If not it says so once, and once more when work goes on.
func (d *daemon) hasRoom(need room) bool {
	for _, running := range d.promised {
		need = need.plus(running)
	}
	for _, part := range []struct {
		path string
		need int64
	}{{d.ws.Working, need.working}, {d.ws.Finished, need.finished}, {d.ws.Archive, need.archive}} {
		if part.need == 0 {
			continue
		}
		free, err := freeBytes(part.path)
		if err != nil {
			d.say(part.path, "space", zapcore.WarnLevel, "cannot tell how full the disk is", failure(err)...)
			continue
		}
		delete(d.said, part.path)
		if want := part.need + d.set.FreeMarginBytes; free < want {
			if !d.paused {
				d.log.Warn(fmt.Sprintf("paused: the disk is nearly full. %s are free and %s are needed; "+
					"make room, and work goes on by itself. Nothing is lost, new takes stay in the inbox", gigabytes(free), gigabytes(want)))
			}
			d.paused = true
			d.trouble("paused", fmt.Sprintf("paused, because the disk is nearly full: %s are free", gigabytes(free)))
			return false
		}
	}
	if d.paused {
		d.log.Info("the disk has room again, work goes on")
	}
	d.paused = false
	d.trouble("paused", "")
	return true
}

func gigabytes(n int64) string { return fmt.Sprintf("%.1f GB", float64(n)/1e9) }

// jobBytes is the memory one job is taken to need. Our choice, from the chain's
// own budget.
const jobBytes = 64 << 20

// jobsAtOnce returns how many jobs run side by side: as many as wished, or one
// a core, and no more than fit into half the memory or into GOMEMLIMIT.
func jobsAtOnce(wished int) int {
	n := runtime.NumCPU()
	if wished > 0 {
		n = min(n, wished)
	}
	memory := memoryBytes() / 2
	if limit := debug.SetMemoryLimit(-1); limit < math.MaxInt64 {
		memory = limit
	}
	if memory > 0 {
		n = min(n, int(memory/jobBytes))
	}
	return max(n, 1)
}
