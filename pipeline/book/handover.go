package book

import (
	"fmt"
	"strings"
	"time"

	"lectern/pipeline/report"
)

// HandoverSchema is the name and version of Handover's shape.
const HandoverSchema = "lectern-handover/1"

// Handover is what was handed over at one time: the finished files as they were, and what
// was still to do. It lies, dated, in the book's folder handover of finished/.
type Handover struct {
	Schema        string         `json:"schema"`
	Book          string         `json:"book"`
	Title         string         `json:"title"`
	Author        string         `json:"author"`
	Narrator      string         `json:"narrator"`
	HandedOverAt  time.Time      `json:"handed_over_at"`
	Version       string         `json:"version"`
	Verdict       *string        `json:"verdict"`
	Complete      *bool          `json:"complete"`
	FinishedS     report.Seconds `json:"finished_s"`
	FinishedHours report.Figure  `json:"finished_hours"`
	FinishedClock string         `json:"finished_clock"`
	Files         []Handed       `json:"files"` // in the book's order
	// ToDo is what was still to do; empty if the book was ready.
	ToDo []ToDo `json:"to_do"`
}

// Handed is a finished file as it was handed over.
type Handed struct {
	Name        string         `json:"name"`
	Stem        string         `json:"stem"`
	Kind        string         `json:"kind"`
	Number      *int           `json:"number"`
	Title       string         `json:"title"`
	Place       int            `json:"place"`
	Revision    int            `json:"revision"`
	Verdict     string         `json:"verdict"`
	DurationS   report.Seconds `json:"duration_s"`
	SHA256      string         `json:"sha256"`
	AudioSHA256 string         `json:"audio_sha256"`
}

// NewHandover is what is handed over of b at a time.
func NewHandover(b *Book, at time.Time) *Handover {
	h := &Handover{
		Schema: HandoverSchema, Book: b.Book, Title: b.Title, Author: b.Author, Narrator: b.Narrator,
		HandedOverAt: at.UTC().Truncate(time.Second), Version: b.Version, Verdict: b.Verdict, Complete: b.Complete,
		FinishedS: b.FinishedS, FinishedHours: b.FinishedHours, FinishedClock: b.FinishedClock,
		Files: []Handed{}, ToDo: append([]ToDo{}, b.ToDo...),
	}
	for _, f := range b.finished(func(File) bool { return true }) {
		h.Files = append(h.Files, Handed{
			Name: f.Name, Stem: f.Stem, Kind: f.Kind, Number: f.Number, Title: f.Title, Place: f.Place,
			Revision: f.Revision, Verdict: f.Verdict, DurationS: *f.DurationS, SHA256: f.SHA256, AudioSHA256: f.AudioSHA256,
		})
	}
	return h
}

// verdictWords are the verdicts for people.
var verdictWords = map[string]string{
	report.Pass: "within all limits", report.Listen: "to be listened to", report.Fail: "misses a limit",
}

// Text is the same to read and to print. The names stand last in each line, so that the
// columns stay in line whatever letters they have.
func (h *Handover) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n", plain(or(h.Title != "", h.Title, h.Book)))
	if by := h.people(); by != "" {
		fmt.Fprintf(&b, "%s\n", by)
	}
	fmt.Fprintf(&b, "Handed over on %s.\n\n", day(h.HandedOverAt))
	fmt.Fprintf(&b, "place   length  revision  verdict            file\n")
	for _, f := range h.Files {
		place := fmt.Sprint(f.Place)
		if f.Place == 0 {
			place = "-"
		}
		fmt.Fprintf(&b, "%5s  %7s  %8d  %-17s  %s\n", place, hoursClock(f.DurationS), f.Revision, verdictWords[f.Verdict], plain(f.Stem)+".mp3")
	}
	fmt.Fprintf(&b, "\n%s. Without the sample: %s, which is %.2f finished hours.\n", count(len(h.Files), "file"), h.FinishedClock, float64(h.FinishedHours))
	b.WriteString(h.completeness() + "\n")
	if len(h.ToDo) == 0 {
		b.WriteString("\nNothing was left to do.\n")
	} else {
		b.WriteString("\nStill to do when it was handed over:\n\n")
		for _, t := range h.ToDo {
			b.WriteString(wrapped("- ", "  ", plain(t.Says)))
		}
	}
	if len(h.Files) > 0 {
		b.WriteString("\nThe sums of the files (SHA-256), by which each can be told from any other:\n\n")
		for _, f := range h.Files {
			fmt.Fprintf(&b, "%s  %s\n", f.SHA256, plain(f.Stem)+".mp3")
		}
	}
	return b.String()
}

func (h *Handover) people() string {
	var out []string
	if h.Author != "" {
		out = append(out, "by "+plain(h.Author))
	}
	if h.Narrator != "" {
		out = append(out, "read by "+plain(h.Narrator))
	}
	return strings.Join(out, ", ")
}

func (h *Handover) completeness() string {
	switch {
	case h.Complete == nil:
		return "Nobody has said how many chapters there are to be."
	case *h.Complete:
		return "Every chapter is there."
	}
	return "Not every chapter is there once."
}

// since tells what was handed over and what changed since; nil if nothing was handed
// over. A file has changed if its sound has (audio_sha256), if it is new or if it is
// gone. One with the same sound and other words in it is told of apart: what the client
// hears is the same.
func since(h *Handover, files []File) *HandedOver {
	if h == nil {
		return nil
	}
	out := &HandedOver{At: h.HandedOverAt, Files: len(h.Files), Changed: []Changed{}, Retagged: []Changed{}}
	was := map[string]Handed{}
	for _, f := range h.Files {
		was[fold(f.Name)] = f
	}
	there := map[string]bool{}
	for _, f := range files {
		if f.State != Finished {
			continue
		}
		there[fold(f.Name)] = true
		old, handed := was[fold(f.Name)]
		c := Changed{Name: f.Name, Was: old.Revision, Revision: f.Revision, Says: label(f.Name, f.Kind, f.Number)}
		switch {
		case !handed:
			c.Says += " (new)"
			out.Changed = append(out.Changed, c)
		case old.AudioSHA256 != f.AudioSHA256:
			c.Says += fmt.Sprintf(" (revision %d)", f.Revision)
			out.Changed = append(out.Changed, c)
		case old.SHA256 != f.SHA256:
			out.Retagged = append(out.Retagged, c)
		}
	}
	for _, f := range h.Files {
		if !there[fold(f.Name)] {
			out.Changed = append(out.Changed, Changed{Name: f.Name, Was: f.Revision, Says: label(f.Name, f.Kind, f.Number) + " (gone)"})
		}
	}
	out.Says = saysChanged(out.Changed, out.Retagged)
	return out
}
