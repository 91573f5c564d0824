package book

import (
	"fmt"
	"slices"

	"lectern/pipeline/report"
)

// What there may be to do, the most important first.
const (
	DoNothing   = "empty"
	DoMissing   = "missing"
	DoSetAside  = "set_aside"
	DoFailed    = "failed"
	DoDoubled   = "doubled"
	DoWords     = "words"
	DoBeyond    = "beyond"
	DoWaiting   = "waiting"
	DoCredits   = "credits"
	DoTooShort  = "too_short"
	DoOtherwise = "made_otherwise"
	DoOutlier   = "outlier"
	DoListen    = "listen"
	DoUntold    = "untold"
	DoSample    = "sample"
)

// toDo is what is to be done before the book is handed over. What blocks is wrong with
// the book as it lies there; the rest is for a person to look at or to listen to, and may
// turn out to be as it should. An empty list: the book is ready.
func toDo(b *Book, in Input) []ToDo {
	l := &todoList{ToDo: []ToDo{}}
	l.missing(b, in)
	for _, p := range gather(in.SetAside) {
		l.blocks(DoSetAside, p.Name, saysSetAside(p))
	}
	for _, filed := range inOrder(b, in.Reports) {
		if r := filed.Report; r.Verdict == report.Fail {
			l.blocks(DoFailed, r.Chapter, saysFailed(r.Chapter, r.Summary(), adviceOf(r)))
		}
	}
	l.doubled(b)
	for _, says := range in.Trouble {
		l.blocks(DoWords, "", says)
	}
	for _, f := range b.beyond() {
		l.blocks(DoBeyond, f.Name, saysBeyond(f, *b.Chapters))
	}
	for _, p := range gather(in.Waiting) {
		l.blocks(DoWaiting, p.Name, saysWaiting(p))
	}
	for _, kind := range []string{Opening, Closing} {
		if !b.has(kind) {
			l.blocks(DoCredits, "", saysNoCredits(kind))
		}
	}
	l.outliers(b, DoTooShort)
	l.madeOtherwise(b, in)
	l.outliers(b, DoOutlier)
	for _, f := range b.finished(func(f File) bool { return f.Verdict == report.Listen }) {
		l.hint(DoListen, f.Name, saysListen(f))
	}
	if b.Chapters == nil {
		l.hint(DoUntold, "", saysUntold())
	}
	if !b.has(Sample) {
		l.hint(DoSample, "", saysNoSample())
	}
	return l.ToDo
}

type todoList struct{ ToDo []ToDo }

func (l *todoList) blocks(kind, name, says string) {
	l.ToDo = append(l.ToDo, ToDo{Kind: kind, Name: name, Says: says, Blocks: true})
}

func (l *todoList) hint(kind, name, says string) {
	l.ToDo = append(l.ToDo, ToDo{Kind: kind, Name: name, Says: says})
}

// missing tells of the chapters of which there is nothing at all; one that waits or was
// set aside is told as that.
func (l *todoList) missing(b *Book, in Input) {
	if len(b.finished(func(File) bool { return true })) == 0 {
		l.blocks(DoNothing, "", saysEmpty())
	}
	gone := slices.DeleteFunc(slices.Clone(b.Missing), func(n int) bool {
		return slices.ContainsFunc(b.Files, func(f File) bool { return f.Kind == Chapter && f.Number != nil && *f.Number == n })
	})
	if len(gone) > 0 {
		l.blocks(DoMissing, "", saysMissing(gone, in.About.Titles))
	}
}

// doubled tells of numbers, credits and samples that are there more than once.
func (l *todoList) doubled(b *Book) {
	for _, n := range b.Doubled {
		same := b.finished(func(f File) bool { return f.Kind == Chapter && f.Number != nil && *f.Number == n })
		l.blocks(DoDoubled, same[0].Name, saysDoubled(n, quotedNames(same)))
	}
	for _, kind := range []string{Opening, Closing, Sample} {
		if same := b.finished(func(f File) bool { return f.Kind == kind }); len(same) > 1 {
			l.blocks(DoDoubled, same[0].Name, saysDoubledKind(kind, quotedNames(same)))
		}
	}
}

// sameEar are figures that tell of the same thing to the ear: where the second lies apart
// as well, it is not told twice.
var sameEar = map[string]string{loudness: rms, roomTone: noiseFloor}

// outliers tells of the chapters that lie apart: too_short of those with too few words,
// outlier of the others. One that fails is to be made anew anyway.
func (l *todoList) outliers(b *Book, kind string) {
	for _, o := range b.Outliers {
		failed := slices.ContainsFunc(b.Files, func(f File) bool { return f.Name == o.Name && f.Verdict == report.Fail })
		told := slices.ContainsFunc(b.Outliers, func(other Outlier) bool {
			return other.Name == o.Name && other.Figure == sameEar[o.Figure]
		})
		switch {
		case (o.Figure == pace) != (kind == DoTooShort), told:
		case kind == DoOutlier && failed:
		default:
			l.hint(kind, o.Name, o.Says)
		}
	}
}

// has tells whether there is a finished file of a kind, or one on its way.
func (b *Book) has(kind string) bool {
	return slices.ContainsFunc(b.Files, func(f File) bool { return f.Kind == kind })
}

// adviceOf is the advice of a chapter's limits that are not met.
func adviceOf(r *report.Report) []string {
	var out []string
	for _, c := range r.Checks {
		if !c.Pass && c.Advice != "" {
			out = append(out, c.Advice)
		}
	}
	return out
}

// inOrder are the reports of the finished files in the book's order.
func inOrder(b *Book, reports []Filed) []Filed {
	var out []Filed
	for _, f := range b.finished(func(File) bool { return true }) {
		for _, r := range reports {
			if r.Report.State == report.StateFinished && fold(r.Report.Chapter) == fold(f.Name) && r.Report.Revision == f.Revision {
				out = append(out, r)
				break
			}
		}
	}
	return out
}

// gather puts together what is said of one name.
func gather(pending []Pending) []Pending {
	var out []Pending
	for _, p := range pending {
		i := slices.IndexFunc(out, func(o Pending) bool { return fold(o.Name) == fold(p.Name) })
		if i < 0 {
			out = append(out, p)
			continue
		}
		if p.Says != out[i].Says && p.Says != "" {
			out[i].Says = fmt.Sprintf("%s %s", sentence(out[i].Says), sentence(p.Says))
		}
	}
	return out
}

func quotedNames(files []File) []string {
	var out []string
	for _, f := range files {
		out = append(out, quoted(f.Name))
	}
	return out
}
