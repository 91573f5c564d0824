package watcher

import "time"

// look is what one glance at a file shows. A file is unchanged between two
// looks if they are equal; the times in it are never compared with a clock,
// since a copy may carry any date.
type look struct {
	Device, Inode         uint64 // 0 where the disk has none
	Size                  int64
	ModifiedNS, ChangedNS int64
}

// sameBytes compares two looks across a rename, which changes ChangedNS.
func (l look) sameBytes(o look) bool {
	l.ChangedNS, o.ChangedNS = 0, 0
	return l == o
}

// looksMin is how many equal looks a file needs, so that one pause of the
// watcher itself is not taken for the file's quiet. Our choice.
const looksMin = 3

// watched is what has been seen of one file so far.
type watched struct {
	last  look
	since time.Time // when last was first seen
	count int       // looks equal to last, that one included
}

// seen adds a look taken at now, which must carry a monotonic reading.
func (w watched) seen(l look, now time.Time) watched {
	if w.count == 0 || w.last != l {
		return watched{last: l, since: now, count: 1}
	}
	w.count++
	return w
}

// quiet tells how long the file has been unchanged.
func (w watched) quiet(now time.Time) time.Duration { return now.Sub(w.since) }

// settled tells whether the file has been unchanged for the quiet time, over
// enough looks.
func (w watched) settled(now time.Time, quiet time.Duration) bool {
	return w.count >= looksMin && w.quiet(now) >= quiet
}

// nextLook returns when to look again: often enough to have all looks by the
// end of the quiet time.
func (w watched) nextLook(now time.Time, quiet time.Duration) time.Time {
	next := now.Add(quiet / looksMin)
	if end := w.since.Add(quiet); w.count >= looksMin-1 && end.After(now) {
		next = end
	}
	return next
}
