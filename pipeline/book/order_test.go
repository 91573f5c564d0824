package book

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lectern/config"
	"lectern/encode"
)

func TestOrder(t *testing.T) {
	for name, c := range map[string]struct {
		about config.About
		want  []string // place and name, in the book's order
	}{
		"credits, a gap, others and a sample": {config.About{}, []string{
			"1 00 Opening credits", "2 01 Low Water", "4 03 The Ferry", "11 Chapter 10 - Ebb",
			"12 Afterword", "13 Tide table 2", "14 Tide table 10", "15 Closing credits", "0 Sample",
		}},
		"doubled": {config.About{}, []string{"1 01 Low Water", "3 03 The Ferry", "3 Chapter 3", "4 04 The Fog"}},
		"a foreword": {config.About{}, []string{
			"1 Opening credits", "2 00 Foreword", "3 00 To the reader", "4 01 Low Water", "6 03 The Ferry",
		}},
		"the last are missing": {config.About{Chapters: 40}, []string{"1 01 Low Water", "40 40 Ebb", "41 Afterword", "42 Closing credits"}},
		"forty of which two are there": {config.About{Chapters: 40}, []string{
			"1 01 Low Water", "3 03 The Ferry", "41 Afterword", "42 Closing credits",
		}},
		"credits that are still to come": {config.About{Opening: "Titles", Closing: "End"}, []string{"2 01 Low Water", "4 03 The Ferry"}},
		"more than were told":            {config.About{Chapters: 2}, []string{"1 01 Low Water", "3 03 The Ferry", "4 Afterword"}},
		"no number at all":               {config.About{Chapters: 40}, []string{"1 The Ferry", "2 The Fog 2", "3 The Fog 10", "4 Closing credits"}},
		"by title": {config.About{Chapters: 4, Titles: []string{"The Ferry", "", "Fog", "Ebb"}}, []string{
			"1 Opening credits", "2 The Ferry", "4 FOG", "5 ebb", "6 An afterword",
		}},
		"credits twice": {config.About{}, []string{"1 00 Opening credits", "1 Opening credits", "2 01 Low Water", "3 99 Closing credits", "3 Closing credits", "0 07 Sample", "0 Sample"}},
		"nothing":       {config.About{}, nil},
	} {
		var chapters []string
		for _, w := range c.want {
			_, chapter, _ := strings.Cut(w, " ")
			chapters = append(chapters, chapter)
		}
		rng := rand.New(rand.NewPCG(1, 2))
		for range 5 { // whatever the order they are told in
			rng.Shuffle(len(chapters), func(i, j int) { chapters[i], chapters[j] = chapters[j], chapters[i] })
			var got []string
			for _, p := range Order(slices.Clone(chapters), c.about) {
				got = append(got, fmt.Sprintf("%d %s", p.Place, p.Chapter))
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("%s (-want +got):\n%s", name, d)
			}
		}
	}
}

func TestTags(t *testing.T) {
	told := config.About{
		Title: "A Ledger of Small Tides", Author: "Odile Marsh", Narrator: "Tam Verrall", Publisher: "潮",
		Year: 2026, Language: "English", Chapters: 40,
	}
	all := []string{"00 Opening credits", "03 The Ferry", "Closing credits", "Sample", "Afterword"}
	full := encode.Tags{
		Title: "03 The Ferry", Album: "A Ledger of Small Tides", Artist: "Odile Marsh", Narrator: "Tam Verrall", Track: "4/43",
		Genre: "Audiobook", Year: "2026", Language: "eng", Publisher: "潮",
	}
	if d := cmp.Diff(full, Tags("03 The Ferry", all, "tides", told)); d != "" {
		t.Errorf("all told (-want +got):\n%s", d)
	}
	if d := cmp.Diff(encode.Tags{Title: "03 The Ferry", Album: "tides", Track: "4", Genre: "Audiobook"}, Tags("03 The Ferry", all, "tides", config.About{})); d != "" {
		t.Errorf("nothing told (-want +got):\n%s", d)
	}
	if got := Tags("03 The Ferry", nil, "tides", told).Track; got != "3/40" {
		t.Errorf("alone it is track %s", got)
	}
	titled := told
	titled.Chapters, titled.Titles = 3, []string{"Low Water", "", "The Ferry, Again"}
	for chapter, want := range map[string]string{
		"Chapter 3": "The Ferry, Again", "02 The Causeway": "02 The Causeway", "Closing credits": "Closing credits", "Low water": "Low Water",
	} {
		if got := Tags(chapter, all, "tides", titled).Title; got != want {
			t.Errorf("%s is called %q, want %q", chapter, got, want)
		}
	}
	for chapter, want := range map[string]string{"Sample": "", "Closing credits": "43/43", "00 Opening credits": "1/43", "Afterword": "42/43"} {
		if got := Tags(chapter, all, "tides", told).Track; got != want {
			t.Errorf("%s is track %q, want %q", chapter, got, want)
		}
	}
	for chapter, want := range map[string]string{"03 The Ferry": "3", "The Ferry": "", "Sample": ""} {
		if got := Tags(chapter, nil, "", config.About{}); got.Track != want || got.Album != "" {
			t.Errorf("%s, a single piece, is track %q of %q, want %q", chapter, got.Track, got.Album, want)
		}
	}
	if len(all) != 5 || all[4] != "Afterword" {
		t.Error("the list of all chapters was changed")
	}
}
