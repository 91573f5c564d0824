package pipeline

import (
	"os"
	"testing"

	"github.com/dhowden/tag"
	"github.com/google/go-cmp/cmp"

	"lectern/encode"
	"lectern/pipeline/internal/made"
	"lectern/pipeline/report"
)

// TestTags holds which words are filled in where a job leaves them open, and that none of
// those given is changed.
func TestTags(t *testing.T) {
	open := Tags("A Ledger of Small Tides", "03 The Ferry", "1.2.3", encode.Tags{Track: "3"})
	if want := (encode.Tags{
		Title: "03 The Ferry", Album: "A Ledger of Small Tides", Track: "3", Genre: "Audiobook", Encoder: "Lectern 1.2.3",
	}); !cmp.Equal(open, want) {
		t.Errorf("filled in: %+v, want %+v", open, want)
	}
	given := encode.Tags{
		Title: "The Ferry", Album: "A Ledger", Artist: "Odile Marsh", Narrator: "Tam Verrall", Track: "4/12",
		Genre: "Novel", Year: "2026", Encoder: "somebody else",
	}
	want := given
	want.Encoder = "Lectern 1.2.3"
	if got := Tags("A Ledger of Small Tides", "03 The Ferry", "1.2.3", given); !cmp.Equal(got, want) {
		t.Errorf("given: %+v, want %+v", got, want)
	}
}

// TestReportTellsTags masters a chapter with words of every kind, reads them back with a
// reader that is not ours, and holds the report to what that finds.
func TestReportTellsTags(t *testing.T) {
	job := jobOf(t, made.WAV16(made.RateHz, ferry(31, -66).Float32()))
	job.Tags = encode.Tags{
		Title: "The Ferry\t潮\u202eback", Artist: " Odile Marsh ", Narrator: "Tam Verrall", Track: "4/12", Year: "2026",
	}
	m, r := mastered(t, job)
	f, err := os.Open(m.MP3)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	read, err := tag.ReadFrom(f)
	if err != nil {
		t.Fatal(err)
	}
	track, of := read.Track()
	if track != 4 || of != 12 || read.Year() != 2026 {
		t.Errorf("track %d/%d, year %d", track, of, read.Year())
	}
	want := &report.Tags{
		Title: read.Title(), Album: read.Album(), Artist: read.Artist(), Narrator: read.Composer(),
		Genre: read.Genre(), Track: "4/12", Year: "2026",
	}
	if d := cmp.Diff(want, r.Tags); d != "" {
		t.Errorf("the report tells other tags than the file has (-file +report):\n%s", d)
	}
	if r.Tags.Title != "The Ferry 潮back" || r.Tags.Album != "A Ledger of Small Tides" {
		t.Errorf("told %+v", r.Tags)
	}
}
