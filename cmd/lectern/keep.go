package main

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"time"

	"go.uber.org/zap"

	"lectern/encode"
	"lectern/pipeline"
	"lectern/pipeline/report"
	"lectern/pipeline/takes"
	"lectern/watcher"
)

// gatherPause is how long changes are gathered before the library is made anew. Our choice.
const gatherPause = 300 * time.Millisecond

// wakeFor has keep look at a book soon. It may be called from anywhere.
func (l *library) wakeFor(name string) {
	l.waking.Lock()
	l.woken[name] = true
	l.waking.Unlock()
	select {
	case l.wake <- struct{}{}:
	default: // it is awake already
	}
}

// forget has the books that keep was woken for looked into anew, whatever the times of
// their folders say: not every disk keeps those.
func (l *library) forget() {
	l.waking.Lock()
	defer l.waking.Unlock()
	for name := range l.woken {
		if folder, err := l.ws.FinishedFolder(name); err == nil {
			delete(l.seen, folder)
		}
	}
	clear(l.woken)
	l.statusAt = time.Time{}
}

// keep makes the library anew whenever something may have changed: when it is woken, and
// at every rescan, since commands and people change things too. It ends with ctx, after
// one last look.
func (l *library) keep(ctx context.Context) {
	for {
		l.pass(ctx)
		select {
		case <-ctx.Done():
			l.tell(l.lastLook())
			return
		case <-l.wake:
			select {
			case <-ctx.Done():
			case <-time.After(gatherPause):
			}
			l.forget()
		case <-time.After(l.hands.watch().Rescan):
		}
	}
}

// lastLook makes the files of what was finished last.
func (l *library) lastLook() error {
	l.forget()
	_, err := l.refresh(context.Background(), false, nil)
	return err
}

// pass writes what has changed, and brings the finished files into line with the book's
// own words; what that changes is written too.
func (l *library) pass(ctx context.Context) {
	for {
		did := false
		_, err := l.refresh(ctx, false, func(s *shelf) { did = l.follow(ctx, s) || did })
		l.tell(err)
		if !did || ctx.Err() != nil {
			return
		}
	}
}

// tell logs what went wrong, once until it is over: the disk that is off makes one error
// after another.
func (l *library) tell(err error) {
	says := ""
	if err != nil && !errors.Is(err, context.Canceled) {
		says = err.Error()
	}
	if says != "" && l.said == "" {
		l.log.Warn("the pages over the books could not be made; it is tried again by itself", zap.Error(err))
	}
	l.said = says
}

// follow writes other words into the MP3s of a book where about.toml, the cover or a new
// chapter calls for them, and cuts its sample. It tells whether anything was done.
func (l *library) follow(ctx context.Context, s *shelf) (did bool) {
	if s.words.unsure {
		return false
	}
	for _, f := range s.filed {
		want := *pipeline.TellTags(s.words.tagsOf(f.Report.Chapter, s.names(), s.name))
		if want == tagsIn(f.Report) {
			continue
		}
		if _, err := os.Lstat(filepath.Join(l.ws.BookDir(s.folder), f.Stem+".mp3")); err != nil {
			continue // she has taken it away
		}
		text, err := json.Marshal(want)
		if err != nil {
			l.tell(err)
			return did
		}
		did = l.ask(ctx, s, f.Report.Chapter, watcher.Ask{Kind: watcher.Retag, Tags: text}) || did
	}
	if ask, wanted := sampleWanted(s); wanted {
		did = l.ask(ctx, s, sampleName, ask) || did
	}
	return did
}

// tagsIn are the words in a finished file, also in one by an earlier version that did not
// tell of them.
func tagsIn(r *report.Report) report.Tags {
	if r.Tags != nil {
		return *r.Tags
	}
	return *pipeline.TellTags(pipeline.Tags(r.Book, r.Chapter, r.MadeBy.Version, encode.Tags{Track: takes.TrackNumber(r.Chapter)}))
}

// sampleName is the name of the sample that is cut from a chapter.
const sampleName = "Sample"

// sampleWanted tells whether about.toml wants a sample that is not there yet, or no longer
// as the chapter has it now.
func sampleWanted(s *shelf) (watcher.Ask, bool) {
	wish := s.words.about.Sample
	of, there := s.find(wish.Chapter)
	if wish.Chapter == "" || !there {
		return watcher.Ask{}, false
	}
	ask := watcher.Ask{Kind: watcher.CutSample, Of: of.Chapter, FromS: wish.FromS, ToS: wish.ToS}
	have, there := s.find(sampleName)
	if !there {
		return ask, true
	}
	was := have.Recipe.Sample
	if was == nil { // a recording of her own
		return watcher.Ask{}, false
	}
	same := watcher.Fold(was.Chapter) == watcher.Fold(of.Chapter) && was.Revision == of.Revision &&
		float64(was.FromS) == wish.FromS && float64(was.ToS) == wish.ToS
	return ask, !same
}

// settled are the asks about a book, as JSON, that led to nothing as the book was.
type settled struct {
	madeOf string
	asks   map[string]bool
}

// ask has something done to a finished file, and tells whether it was. What is refused is
// said once, and tried again when something of the book has changed; what is busy is tried
// again at the next look.
func (l *library) ask(ctx context.Context, s *shelf, chapter string, ask watcher.Ask) bool {
	text, err := json.Marshal([]any{chapter, ask})
	if err != nil || ctx.Err() != nil {
		l.tell(err)
		return false
	}
	done, key := l.settled[s.folder], string(text)
	if done.madeOf != s.madeOf {
		done = settled{s.madeOf, map[string]bool{}}
		l.settled[s.folder] = done
	}
	if done.asks[key] {
		return false
	}
	delete(l.seen, s.folder) // looked at again in any case
	f := watcher.Filed{Book: s.name, Chapter: chapter, In: s.folder, Ending: ".mp3"}
	out, err := watcher.Do(ctx, l.ws, l.hands.watch(), l.hands.forWatcher(), zap.NewNop(), f, ask)
	var refused *watcher.RefusedError
	fields := []zap.Field{zap.String("book", s.name), zap.String("chapter", chapter)}
	switch {
	case ctx.Err() != nil:
	case errors.As(err, &refused) && refused.Busy:
	case errors.As(err, &refused) && refused.Away: // asked again at every look, and said once
		if said := key + refused.Says; !done.asks[said] {
			done.asks[said] = true
			l.log.Warn(watcher.Plain(chapter+": "+refused.Says), fields...)
		}
	case errors.As(err, &refused):
		done.asks[key] = true
		says := watcher.Plain(refused.Says)
		if name := watcher.Plain(chapter); !strings.Contains(says, name) {
			says = name + ": " + says
		}
		if about := s.folder + "/" + chapter; l.refused[about] != key+says {
			l.refused[about] = key + says
			l.log.Warn(says, fields...)
		}
	case err != nil:
		l.log.Warn(watcher.Plain(chapter)+": what about.toml says could not be carried out; it is tried again by itself", append(fields, zap.Error(err))...)
	case out.Did == "unchanged":
		delete(l.refused, s.folder+"/"+chapter)
		done.asks[key] = true
	default:
		delete(l.refused, s.folder+"/"+chapter)
		fields = append(fields, zap.Int("revision", out.Revision), zap.String("verdict", out.Verdict))
		l.log.Info(watcher.Plain(chapter+": "+out.Did), fields...)
		return true
	}
	return false
}
