package watcher

import (
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// EventKind says what an Event tells.
type EventKind string

// The kinds of events, in the order a chapter meets them.
const (
	Waiting  EventKind = "waiting"  // Says why; Raws holds the file
	Claimed  EventKind = "claimed"  // work begins
	Progress EventKind = "progress" // Share is the part done, 0 to 1
	Finished EventKind = "finished" // Took, Verdict and Says are set: something in finished/ is another
	SetAside EventKind = "setaside" // Says why
	Known    EventKind = "known"    // the same bytes are finished already; dropped
)

// Event is one thing that happened, for whoever shows it.
type Event struct {
	Kind          EventKind
	Book, Chapter string
	Raws          []string // as the narrator named them
	Share         float64
	Took          time.Duration
	Verdict, Says string
	// Of a Finished: which revision it is now, what was done in a few words, the names of
	// the checks that failed, and how many seconds of recordings became how many of chapter.
	// Where nothing was made of recordings, such as for Retag, the last three are empty.
	Revision         int
	Did              string
	Missed           []string
	RawsS, FinishedS float64
	// Ask is what was asked for, of a Finished that no recording led to.
	Ask AskKind
}

// tell passes an event on, one at a time.
func (d *daemon) tell(e Event) {
	if d.set.Notice == nil {
		return
	}
	d.telling.Lock()
	defer d.telling.Unlock()
	d.set.Notice(e)
}

// about are the fields of a line about a chapter. Names in the line itself must have gone
// through Plain; the fields carry them as they are.
func about(book, chapter string, raws ...string) []zap.Field {
	return []zap.Field{zap.String("book", book), zap.String("chapter", chapter), zap.Strings("raws", raws)}
}

// say writes a line about a file or a chapter unless the last one about it was
// of the same sort. sort, not the line, is compared: percentages move.
func (d *daemon) say(path, sort string, level zapcore.Level, line string, fields ...zap.Field) bool {
	if d.said[path] == sort {
		return false
	}
	d.said[path] = sort
	d.log.Log(level, line, fields...)
	return true
}

// failure turns an error into fields of a line.
func failure(err error) []zap.Field {
	fields := []zap.Field{zap.Error(err)}
	if p, ok := err.(*panicError); ok {
		fields = append(fields, zap.ByteString("stack", p.stack))
	}
	return fields
}
