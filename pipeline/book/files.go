package book

import (
	"strings"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"lectern/pipeline/report"
)

// listFiles are the book's files in its order: what is finished, what waits and what was
// set aside, each name once.
func listFiles(in Input) []File {
	byName := map[string]*File{}
	names := []string{}
	at := func(name string) *File {
		f := byName[fold(name)]
		if f == nil {
			f = &File{Name: name}
			byName[fold(name)] = f
			names = append(names, name)
		}
		return f
	}
	for _, filed := range in.Reports {
		if r := filed.Report; r.State == report.StateFinished {
			if f := at(r.Chapter); f.State == "" || r.Revision > f.Revision {
				f.fill(filed)
			}
		}
	}
	for _, p := range in.SetAside {
		at(p.Name).pend(SetAside, p.Says)
	}
	for _, p := range in.Waiting {
		at(p.Name).pend(Waiting, p.Says)
	}
	files := make([]File, 0, len(names))
	for _, placed := range Order(names, in.About) {
		f := byName[fold(placed.Chapter)]
		f.Kind, f.Number, f.Title, f.Place = placed.Kind, placed.Number, placed.Title, placed.Place
		files = append(files, *f)
	}
	return files
}

// fill is what a report says of its file.
func (f *File) fill(filed Filed) {
	r := filed.Report
	madeAt, duration, measured := r.MadeAt, r.Finished.DurationS, r.Finished.Measured
	f.Name, f.Stem, f.State = r.Chapter, filed.Stem, Finished
	f.Revision, f.MadeAt, f.Verdict, f.DurationS = r.Revision, &madeAt, r.Verdict, &duration
	f.SHA256, f.AudioSHA256 = r.Finished.SHA256, r.Finished.AudioSHA256
	f.Chain, f.Settings = r.MadeBy.Chain, r.MadeBy.SettingsSHA256
	f.Figures, f.Places = &measured, len(Places(r))
}

// pend adds a recording that is not made into a file. What is finished stays finished,
// and what was set aside stays so: it is for a person to act on.
func (f *File) pend(state, says string) {
	if f.State == "" {
		f.State = state
	}
	if says != "" && !strings.Contains(f.Says, says) {
		f.Says = strings.TrimSpace(f.Says + " " + sentence(says))
	}
}

// fold returns a name for comparing: the spellings that some disk takes for one are one.
func fold(name string) string {
	return norm.NFC.String(cases.Fold().String(norm.NFC.String(name)))
}
