package takes

import "lectern/pipeline/speech"

// line is a reading as far as it is put together: the runs of words of one raw or of
// several, in the order in which they are heard.
type line []run

// run is a run of words of one raw.
type run struct {
	raw   int
	voice *Voice
	speech.Span
	// pause is how many frames of room lie before it.
	pause int
	// gain is the factor, of power, by which the raw is brought to the level of the first.
	gain float64
}

// lineOf returns the runs of a whole raw, in frames of it.
func lineOf(raw int, v *Voice) line {
	var l line
	at := 0
	for _, r := range v.m.Runs {
		l = append(l, run{raw, v, r, r.From - at, 1})
		at = r.To
	}
	return l
}

// frames returns the words from run i on, at most n frames, pauses left out: a pause is
// longer in one reading than in another.
func (l line) frames(i, n int) []frame {
	out := make([]frame, 0, min(n, l.length(i)))
	for ; i < len(l); i++ {
		for k := l[i].From; k < l[i].To; k++ {
			if len(out) >= n {
				return out
			}
			out = append(out, l[i].voice.frame(k))
		}
	}
	return out
}

// length returns the frames of words from run i on.
func (l line) length(i int) (n int) {
	for _, r := range l[min(i, len(l)):] {
		n += r.Len()
	}
	return n
}

// place tells in which run the nth frame of words from run i on lies, and where in it.
func (l line) place(i, n int) (in, at int) {
	for ; i < len(l)-1 && n >= l[i].Len(); i++ {
		n -= l[i].Len()
	}
	return i, n
}

// seconds is how long runs i to j sound, with the pauses between them.
func (l line) seconds(i, j int) float64 {
	n := 0
	for k := i; k < j; k++ {
		n += l[k].Len()
		if k > i {
			n += max(l[k].pause, 0)
		}
	}
	return float64(n) / speech.FramesPerSecond
}

// pausesBefore tells whether a pause lies before run i, as between sentences.
func (l line) pausesBefore(i int) bool {
	return i == len(l) || l[i].pause < 0 || l[i].pause >= leastPause
}

// stretches joins the runs that follow each other in their raw as they were.
func (l line) stretches() (out []Stretch) {
	for _, r := range l {
		if n := len(out); n > 0 && out[n-1].Raw == r.raw && r.pause >= 0 && out[n-1].To+r.pause == r.From {
			out[n-1].To = r.To
			continue
		}
		out = append(out, Stretch{r.raw, r.Span, r.pause})
	}
	return out
}
