package pipeline

import "lectern/encode"

// The shares of the work, measured on a 35-minute chapter; only the progress bar
// hangs on them.
const (
	shareRead   = 0.30
	shareEncode = 0.35
	shareProve  = 0.35
)

// progress turns the progress of a step into that of the whole job and never
// goes back, also when a file is encoded twice.
type progress struct {
	tell func(share float64)
	last float64
}

func shares(tell func(share float64)) *progress {
	if tell == nil {
		tell = func(float64) {}
	}
	return &progress{tell: tell}
}

// step returns the function by which a step tells its own share done.
func (p *progress) step(from, width float64) func(share float64) {
	return func(share float64) {
		if s := min(1, from+width*share); s >= p.last+0.005 || s == 1 && p.last < 1 {
			p.last = s
			p.tell(s)
		}
	}
}

// counted reports progress as samples are taken from src.
func counted(src encode.Source, total int, step func(share float64)) encode.Source {
	var done int
	return func(dst []float32) (int, error) {
		n, err := src(dst)
		done += n
		step(float64(done) / float64(total))
		return n, err
	}
}
