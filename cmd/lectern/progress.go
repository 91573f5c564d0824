package main

import (
	"fmt"
	"io"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"

	"lectern/watcher"
)

// show prints plain lines, and on a terminal a bar while something is made.
type show struct {
	w        io.Writer
	terminal bool
}

func newShow(w io.Writer) *show { return &show{w: w, terminal: isTerminal(w)} }

// line prints one line. Names and errors in it may hold whatever somebody put into an
// inbox; what would move the cursor or turn the writing around is taken out of them.
func (s *show) line(format string, args ...any) {
	for i, a := range args {
		switch v := a.(type) {
		case string:
			args[i] = watcher.Plain(v)
		case error:
			args[i] = watcher.Plain(v.Error())
		}
	}
	fmt.Fprintf(s.w, format+"\n", args...)
}

// bar shows the share done of one piece of work; off a terminal it shows nothing.
type bar struct {
	group *mpb.Progress
	bar   *mpb.Bar
}

// barSteps is the resolution of a bar.
const barSteps = 1000

func (s *show) bar(name string) *bar {
	if !s.terminal {
		return &bar{}
	}
	group := mpb.New(mpb.WithOutput(s.w), mpb.WithWidth(40))
	return &bar{group: group, bar: group.AddBar(barSteps,
		mpb.BarRemoveOnComplete(),
		mpb.PrependDecorators(decor.Name(watcher.Plain(name)+" ")),
		mpb.AppendDecorators(decor.Percentage()),
	)}
}

func (b *bar) set(share float64) {
	if b.bar != nil {
		b.bar.SetCurrent(int64(share * barSteps))
	}
}

// end takes the bar away, however far it came.
func (b *bar) end() {
	if b.bar != nil {
		b.bar.Abort(true)
		b.group.Wait()
	}
}
