package watcher

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"runtime/debug"
	"slices"
	"syscall"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// dispatch gives work to idle workers: jobs already in working/ first, then
// ready batches, each smallest first.
func (d *daemon) dispatch(ctx context.Context, now time.Time) {
	if !d.dispatchAll(ctx, now) {
		d.sharer.rest()
	}
}

// dispatchAll tells whether there is more to do than the Share has places for.
func (d *daemon) dispatchAll(ctx context.Context, now time.Time) (wants bool) {
	slices.SortStableFunc(d.owned, func(a, b *job) int {
		if a.suspect() != b.suspect() {
			return boolInt(a.suspect()) - boolInt(b.suspect())
		}
		return int(a.bytes() - b.bytes())
	})
	for i := 0; i < len(d.owned) && len(d.running) < d.jobs; {
		j := d.owned[i]
		if _, busy := d.running[j.Key]; busy || now.Before(j.retryAt) {
			i++
			continue
		}
		need := d.roomFor(j.Seconds, j.bytes())
		if j.Says != "" || exists(j.path("plan.json")) {
			need = room{}
		}
		if !d.hasRoom(need) {
			return false
		}
		if !d.sharer.take(j.Key) {
			return true
		}
		d.owned = slices.Delete(d.owned, i, i+1)
		d.running[j.Key], d.promised[j.Key] = j, need
		go d.worker(ctx, result{key: j.Key, job: j})
	}
	for i := 0; i < len(d.queue) && len(d.running) < d.jobs && !now.Before(d.claimAt); {
		b := d.queue[i]
		if _, busy := d.running[b.Key]; busy || d.owns(b.Key) {
			i++
			continue
		}
		var need room
		if b.Says == "" {
			need = d.roomFor(b.Seconds, b.bytes())
		}
		if !d.hasRoom(need) {
			return false
		}
		if !d.sharer.take(b.Key) {
			return true
		}
		d.queue = slices.Delete(d.queue, i, i+1)
		if state := d.folders[b.Book]; state != nil {
			for _, r := range b.Raws {
				delete(state.files, r.name()) // settles anew if the claim fails
			}
		}
		d.running[b.Key], d.promised[b.Key] = nil, need
		go d.worker(ctx, result{key: b.Key, batch: b})
	}
	return false
}

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

// suspect tells whether a job has been there when the process died, more than
// once: then the others go first.
func (j *job) suspect() bool {
	_, died, err := j.tries()
	return err == nil && died > 1
}

// patience is how long a suspect that was left in working/ waits after a start,
// twice as long after each death: the others must first have the time to arrive
// and be claimed, or a process that dies often would try nothing but suspects.
// What is made already only needs to be published, and waits for nothing.
func (j *job) patience() time.Duration {
	const longest = 5 * time.Minute
	_, died, err := j.tries()
	if err != nil || died < 2 || exists(j.path("plan.json")) {
		return 0
	}
	return min(longest, time.Second<<min(died, 20))
}

func (d *daemon) owns(key string) bool {
	return slices.ContainsFunc(d.owned, func(j *job) bool { return j.Key == key })
}

// worker claims, if there is no job yet, and works. A panic ends the job's try
// and nothing else.
func (d *daemon) worker(ctx context.Context, r result) {
	defer func() {
		if v := recover(); v != nil {
			r.err = &panicError{v, debug.Stack()}
		}
		d.results <- r
	}()
	if r.job == nil {
		if r.batch.Says == "" {
			if r.problem, r.err = d.question(r.batch); r.problem != "" {
				return
			}
		}
		if r.job, r.err = d.claim(r.batch); r.err != nil {
			return
		}
		d.results <- result{key: r.key, job: r.job, claimed: true}
	}
	d.tell(Event{Kind: Claimed, Book: r.job.Book, Chapter: r.job.Chapter, Raws: r.job.names()})
	if r.err = d.work(ctx, r.job); r.err == nil {
		r.job = nil
	}
}

// question asks what the names of a batch leave open, before it is claimed.
func (d *daemon) question(b batch) (string, error) {
	if says := d.ws.diskAway(d.mounts); says != "" {
		return says, nil
	}
	s, err := d.ws.shelf(b.Book, b.Chapter, endingFor(b.Raws[0].Role))
	if err != nil {
		return "what was finished of this chapter before cannot be read; it is tried again until it can", err
	}
	var waiting []member
	for _, r := range b.Raws {
		waiting = append(waiting, member{Role: r.Role, Number: r.Number, Name: r.name()})
	}
	list, problem := order(waiting, s.members())
	if problem == "" {
		problem = d.missing(s, list)
	}
	return problem, nil
}

// settleResult takes note of how a worker came back.
func (d *daemon) settleResult(ctx context.Context, r result) {
	if r.claimed {
		d.running[r.key] = r.job
		d.claimPause = 0
		return
	}
	delete(d.running, r.key)
	delete(d.promised, r.key)
	d.sharer.put(r.key)
	var wait *waitError
	trouble := ""
	switch {
	case r.problem != "":
		d.blockOn(r)
	case r.err == nil:
		delete(d.said, questionPath(d.ws, r.batch.Book, r.key))
	case errors.Is(r.err, errLost) && (r.job == nil || !exists(r.job.Dir)):
		d.nextScanOf(r.batch.Book)
	case r.job == nil:
		d.nextScanOf(r.batch.Book)
		d.claimPause = longerPause(d.claimPause, r.err)
		d.claimAt = time.Now().Add(d.claimPause)
		d.log.Warn(fmt.Sprintf("%s: could not be taken out of the inbox, trying again in %.0f s", Plain(r.batch.Chapter), d.claimPause.Seconds()),
			append(failure(r.err), about(r.batch.Book, r.batch.Chapter, r.batch.names()...)...)...)
	case ctx.Err() != nil:
		d.owned = append(d.owned, r.job)
	case errors.As(r.err, &wait):
		r.job.retryAt = time.Now().Add(wait.after)
		d.owned = append(d.owned, r.job)
		d.say(r.job.Dir, wait.says, zapcore.InfoLevel, r.job.label()+": "+wait.says,
			about(r.job.Book, r.job.Chapter, r.job.names()...)...)
	default:
		trouble = d.retryLater(r.job, r.err)
	}
	d.trouble("job "+r.key, trouble)
}

// nextScanOf has a folder looked into again soon.
func (d *daemon) nextScanOf(folder string) {
	if state := d.folders[folder]; state != nil {
		state.next = time.Now()
	}
}

// The pause before a job, or a claim, is tried again after an error doubles
// between these two; a full disk is asked again at least once a minute. There
// is no last try: no recording is given up because of the disk.
const (
	retryMin     = time.Second
	retryMax     = 15 * time.Minute
	retryFullMax = time.Minute
)

func longerPause(pause time.Duration, err error) time.Duration {
	longest := retryMax
	if isDiskFull(err) {
		longest = retryFullMax
	}
	return min(max(2*pause, retryMin), longest)
}

// retryLater takes a job up again after a pause. It returns what status tells meanwhile.
func (d *daemon) retryLater(j *job, err error) (says string) {
	j.pause = longerPause(j.pause, err)
	fields := append(failure(err), about(j.Book, j.Chapter, j.names()...)...)
	if errors.Is(err, errAlarm) {
		j.pause = retryMax
		says = fmt.Sprintf("%s: a file of this chapter is missing. Nothing more is done to it until the file is back; "+
			"look for it in archive, finished and working", j.label())
		d.log.Error(says, fields...)
	} else {
		says = fmt.Sprintf("%s: could not be finished, and is tried again by itself", j.label())
		if number := syscall.Errno(0); errors.As(err, &number) {
			says += fmt.Sprintf("; the system says: %v", number)
		}
		d.log.Warn(fmt.Sprintf("%s: could not be finished, trying again in %.0f s", j.label(), j.pause.Seconds()), fields...)
	}
	j.retryAt = time.Now().Add(j.pause)
	d.owned = append(d.owned, j)
	return says
}

// blockOn says what is to be answered before a chapter is made, and leaves its
// files alone until they change or the next rescan comes.
func (d *daemon) blockOn(r result) {
	if state := d.folders[r.batch.Book]; state != nil {
		var files []*tracked
		for _, raw := range r.batch.Raws {
			t := d.track(r.batch.Book, raw.name())
			t.seen = watched{last: raw.Look, since: time.Now(), count: 1}
			state.files[t.name] = t
			files = append(files, t)
		}
		d.blocked[r.key] = signature(files)
	}
	if d.say(questionPath(d.ws, r.batch.Book, r.key), r.problem, zapcore.WarnLevel, Plain(r.batch.Chapter)+": waiting, "+r.problem,
		append(about(r.batch.Book, r.batch.Chapter, r.batch.names()...), zap.Error(r.err))...) {
		d.tell(Event{Kind: Waiting, Book: r.batch.Book, Chapter: r.batch.Chapter, Says: r.problem})
	}
}

// questionPath stands for a chapter among the paths that lines are about.
func questionPath(ws *Workspace, book, key string) string {
	return filepath.Join(ws.Working, key, book)
}

// stop waits for the workers, which heed ctx, and lets the jobs go.
func (d *daemon) stop(ctx context.Context) {
	for len(d.running) > 0 {
		d.settleResult(ctx, <-d.results)
	}
	released := d.me
	released.Released = true
	d.signLeases(released)
}
