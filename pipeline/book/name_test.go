package book

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"lectern/config"
)

// nameCase is a file's name and what it says; number is -1 if there is none.
type nameCase struct {
	name, kind string
	number     int
	title      string
}

func checkNames(t *testing.T, a config.About, cases []nameCase) {
	t.Helper()
	for _, c := range cases {
		got := ReadName(c.name, a)
		number := -1
		if got.Number != nil {
			number = *got.Number
		}
		if got.Kind != c.kind || number != c.number || got.Title != c.title {
			t.Errorf("%q is %s %d %q, want %s %d %q", c.name, got.Kind, number, got.Title, c.kind, c.number, c.title)
		}
	}
}

func TestReadName(t *testing.T) {
	checkNames(t, config.About{}, []nameCase{
		{"03 The Ferry", Chapter, 3, "The Ferry"},
		{"3. The Ferry", Chapter, 3, "The Ferry"},
		{"3) The Ferry", Chapter, 3, "The Ferry"},
		{"03_The_Ferry", Chapter, 3, "The Ferry"},
		{"03-The Ferry", Chapter, 3, "The Ferry"},
		{"03 - The Ferry", Chapter, 3, "The Ferry"},
		{"003—The Ferry", Chapter, 3, "The Ferry"},
		{" 03  The Ferry ", Chapter, 3, "The Ferry"},
		{"03", Chapter, 3, "03"},
		{"Chapter 3 - The Ferry", Chapter, 3, "The Ferry"},
		{"Chapter 03", Chapter, 3, "Chapter 03"},
		{"CHAPTER_03_The_Ferry", Chapter, 3, "The Ferry"},
		{"chapter03", Chapter, 3, "chapter03"},
		{"Ch. 3 The Ferry", Chapter, 3, "The Ferry"},
		{"Chapter 3: The Ferry", Chapter, 3, "The Ferry"},
		{"A Ledger of Small Tides - Chapter 3 - The Ferry", Chapter, 3, "The Ferry"},
		{"Tides_ch03", Chapter, 3, "Tides ch03"},
		{"02 Chapter 1 - Low Water", Chapter, 1, "Low Water"},
		{"Chapter 112", Chapter, 112, "Chapter 112"},
		{"03 潮の帳簿", Chapter, 3, "潮の帳簿"},
		{"03 العبّارة", Chapter, 3, "العبّارة"},
		{"03 🌊", Chapter, 3, "🌊"},
		{"03 1984 was wet", Chapter, 3, "1984 was wet"},
		{"03 - 2.5 Fathoms", Chapter, 3, "2.5 Fathoms"},
		{"101 Nights", Chapter, 101, "Nights"}, // the rule cannot tell; the title in about.toml can

		{"Kapitel 3", Chapter, 3, "Kapitel 3"},
		{"Kapitel_3", Chapter, 3, "Kapitel 3"},
		{"Kapitel 3 - Die Fähre", Chapter, 3, "Die Fähre"},
		{"Kap. 03: Die Fähre", Chapter, 3, "Die Fähre"},
		{"Глава 3", Chapter, 3, "Глава 3"},
		{"अध्याय 3", Chapter, 3, "अध्याय 3"},
		{"Route 66 Again", Other, -1, "Route 66 Again"},
		{"The Year 3", Other, -1, "The Year 3"},
		{"Part 2", Other, -1, "Part 2"},
		{"Appendix 1 - Tide tables", Other, -1, "Appendix 1 - Tide tables"},

		{"1984 was wet", Other, -1, "1984 was wet"},
		{"Chapter 1984", Other, -1, "Chapter 1984"},
		{"3rd Watch", Other, -1, "3rd Watch"},
		{"2.5 Fathoms", Other, -1, "2.5 Fathoms"},
		{"10,000 Waves", Other, -1, "10,000 Waves"},
		{"9-11", Other, -1, "9-11"},
		{"100% Salt", Other, -1, "100% Salt"},
		{"The Ferry", Other, -1, "The Ferry"},
		{"The_Ferry", Other, -1, "The Ferry"},
		{"The Ferry 3", Other, -1, "The Ferry 3"},
		{"Church 3", Chapter, 3, "Church 3"}, // its only word
		{"Catch 22 and Chapters", Other, -1, "Catch 22 and Chapters"},
		{"Foreword", Other, -1, "Foreword"},
		{"00 Foreword", Other, -1, "Foreword"},
		{"-5 Degrees", Other, -1, "-5 Degrees"},
		{"", Other, -1, ""},
		{"---", Other, -1, "---"},

		{"00 Opening credits", Opening, -1, "Opening credits"},
		{"Opening Credits", Opening, -1, "Opening Credits"},
		{"01_OPENING_CREDITS", Opening, -1, "OPENING CREDITS"},
		{"A Ledger of Small Tides - Opening credits", Opening, -1, "A Ledger of Small Tides - Opening credits"},
		{"Closing credits", Closing, -1, "Closing credits"},
		{"99 Closing-Credits", Closing, -1, "Closing-Credits"},
		{"End credits", Closing, -1, "End credits"},
		{"Sample", Sample, -1, "Sample"},
		{"99 sample", Sample, -1, "sample"},
		{"A Ledger of Small Tides - Sample", Sample, -1, "A Ledger of Small Tides - Sample"},
		{"05 The Sample", Chapter, 5, "The Sample"},
		{"Chapter 5 - Sample", Chapter, 5, "Sample"},
		{"06 Opening credits and other lies", Chapter, 6, "Opening credits and other lies"},
		{"Credits", Other, -1, "Credits"},
		{"Opening", Other, -1, "Opening"},
	})
}

func TestReadNameByAbout(t *testing.T) {
	checkNames(t, config.About{
		Opening: "01 Titles", Closing: "the é end", Sample: config.Sample{File: "Tides for the shop"},
		Chapters: 5, Titles: []string{"1984 was wet", "", "Sample", "The Ferry, Again!", "101 Nights"},
	}, []nameCase{
		{"01 titles", Opening, -1, "titles"},
		{"The e\u0301 End", Closing, -1, "The e\u0301 End"},
		{"Tides for the shop", Sample, -1, "Tides for the shop"},
		// About.toml names others for these.
		{"00 Opening credits", Other, -1, "Opening credits"},
		{"Closing credits", Other, -1, "Closing credits"},
		{"07 Sample", Chapter, 3, "Sample"},
		// Titles of the list, with and without number.
		{"1984 was wet", Chapter, 1, "1984 was wet"},
		{"The_Ferry_again", Chapter, 4, "The Ferry, Again!"},
		{"04 the ferry again", Chapter, 4, "The Ferry, Again!"},
		{"05 The Ferry again", Chapter, 4, "The Ferry, Again!"}, // credits were counted too
		{"101 Nights", Chapter, 5, "101 Nights"},
		// A number without a title of its own, or past the list.
		{"02 The Causeway", Chapter, 2, "The Causeway"},
		{"04 The Fery", Chapter, 4, "The Ferry, Again!"},
		{"06 High Water", Chapter, 6, "High Water"},
	})
	twice := config.About{Chapters: 3, Titles: []string{"Interlude", "The Ferry", "Interlude"}}
	checkNames(t, twice, []nameCase{
		{"Interlude", Other, -1, "Interlude"}, // which one?
		{"03 Interlude", Chapter, 3, "Interlude"},
	})
}

// Whatever the name, it is read as one of the kinds, the number is one, and the order has
// every chapter once, at a place of its own unless it shares its number.
func FuzzOrder(f *testing.F) {
	f.Add("03 The Ferry|Chapter 3|Opening credits|99 Closing credits|Sample|00 Foreword|The Fog 10|The Fog 9", "The Ferry|The Fog 9", 40)
	f.Add("٣ العبّارة|𠮷|a\x00b|\xff1 x|1|01|001", "", 0)
	f.Fuzz(func(t *testing.T, joined, titles string, told int) {
		chapters := strings.Split(joined, "|")
		slices.Sort(chapters)
		chapters = slices.Compact(chapters)
		a := config.About{Chapters: max(told%1000, 0)}
		if titles != "" {
			a.Titles = strings.Split(titles, "|")
			a.Chapters = len(a.Titles)
		}
		order := Order(chapters, a)
		var seen []string
		last := 0
		for i, p := range order {
			seen = append(seen, p.Chapter)
			if (p.Number != nil) != (p.Kind == Chapter) || p.Number != nil && (*p.Number < 1 || *p.Number > max(999, len(a.Titles))) {
				t.Fatalf("%q is %+v", p.Chapter, p)
			}
			if p.Title == "" && strings.TrimSpace(strings.ReplaceAll(p.Chapter, "_", " ")) != "" {
				t.Fatalf("%q has no title", p.Chapter)
			}
			if (p.Place == 0) != (p.Kind == Sample) {
				t.Fatalf("%q has place %d", p.Chapter, p.Place)
			}
			if p.Place == 0 {
				continue
			}
			shares := i > 0 && p.Place == last
			same := i > 0 && p.Kind == order[i-1].Kind && p.Kind != Other && (p.Number == nil || *p.Number == *order[i-1].Number)
			if p.Place < last || shares != same {
				t.Fatalf("%q has place %d after %d", p.Chapter, p.Place, last)
			}
			last = p.Place
			if got := Tags(p.Chapter, chapters, "x", a).Track; !strings.HasPrefix(got+"/", fmt.Sprintf("%d/", p.Place)) {
				t.Fatalf("%q is track %q", p.Chapter, got)
			}
		}
		slices.Sort(seen)
		if !slices.Equal(seen, chapters) {
			t.Fatalf("%q became %q", chapters, seen)
		}
	})
}
