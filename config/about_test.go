package config

import (
	"errors"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
)

const ledger = "A Ledger of Small Tides"

func TestReadAbout(t *testing.T) {
	untold := func(change func(*About)) About {
		a := About{Sample: Sample{FromS: -1, ToS: -1}}
		change(&a)
		return a
	}
	ferry := untold(func(a *About) { a.Sample = Sample{Chapter: "03 The Ferry", FromS: 70, ToS: 270} })
	tests := []struct {
		name, text string
		want       About
	}{
		{"nothing", "", untold(func(*About) {})},
		{"everything", `
title = "A Ledger of Small Tides"
author = 'Odile Marsh'
narrator = " Tam Verrall "
publisher = "潮の帳簿 \u200f🌊"
year = 2026
language = "en-GB"
chapters = ["Low Water", "", "The Ferry"]
words = [2310, 0]
credits = { opening = "00 Opening credits", closing = "Closing credits.WAV" }
sample = { chapter = "03 The Ferry.wav", from = "1:10", to = "4:30" }
[delivery]
tail_s = 3
`, About{
			Title: ledger, Author: "Odile Marsh", Narrator: "Tam Verrall", Publisher: "潮の帳簿 \u200f🌊",
			Year: 2026, Language: "en-GB", Chapters: 3, Titles: []string{"Low Water", "", "The Ferry"}, Words: []int{2310, 0},
			Opening: "00 Opening credits", Closing: "Closing credits", Sample: ferry.Sample,
		}},
		{"byte-order mark", "\xef\xbb\xbftitle = 'x'\r\nchapters = 40\r\n", untold(func(a *About) { a.Title, a.Chapters = "x", 40 })},
		{"left empty", "title = ''\nlanguage = ''\ncredits = {opening = ''}\nsample = {chapter = '', from = '', to = ''}\n", untold(func(*About) {})},
		{"under headings", "[sample]\nchapter = '03 The Ferry'\nfrom = 70\nto = 270.0\n[credits]\nclosing = 'z'\n[level]\n",
			untold(func(a *About) { a.Sample, a.Closing = ferry.Sample, "z" })},
		{"with points", "sample.chapter = '03 The Ferry'\nsample.from = '1:10.0'\nsample.to = '0:04:30'\n", ferry},
		{"a chapter alone", "sample = '03 The Ferry'\n", untold(func(a *About) { a.Sample.Chapter = "03 The Ferry" })},
		{"a file of its own", "sample = { file = 'Tides for the shop' }\n", untold(func(a *About) { a.Sample.File = "Tides for the shop" })},
		{"only a beginning", "sample = { chapter = 'x', from = '1:02:03.5' }\n", untold(func(a *About) { a.Sample = Sample{Chapter: "x", FromS: 3723.5, ToS: -1} })},
		{"only an end", "sample = { chapter = 'x', to = '12:00' }\n", untold(func(a *About) { a.Sample = Sample{Chapter: "x", FromS: -1, ToS: 720} })},
		{"exactly a minute", "sample = { chapter = 'x', from = 0, to = 60 }\n", untold(func(a *About) { a.Sample = Sample{Chapter: "x", ToS: 60} })},
		{"exactly five minutes", "sample = { chapter = 'x', from = '90:00', to = '95:00' }\n", untold(func(a *About) { a.Sample = Sample{Chapter: "x", FromS: 5400, ToS: 5700} })},
		{"longest text", "title = '" + strings.Repeat("🌊", 250) + "'\n", untold(func(a *About) { a.Title = strings.Repeat("🌊", 250) })},
		{"a section that is wrong is not ours", "author = 'x'\n[delivery]\nhead_s = 'no'\n", untold(func(a *About) { a.Author = "x" })},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ReadAbout(ledger, []byte(tt.text))
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("read wrongly (-want +got):\n%s", d)
			}
			if _, err := ReadBook(ledger, []byte(tt.text), Default().Chapter); err != nil && !strings.Contains(tt.text, "'no'") {
				t.Errorf("ReadBook refuses it: %v", err)
			}
		})
	}
}

func TestRefusedAbout(t *testing.T) {
	for _, tt := range []struct{ name, text, want string }{
		{"misspelled", "\ntitel = 'x'\n", `line 2: titel = "x" is not a setting; allowed are title, author, narrator, publisher, year, language, chapters, words, credits, sample and the sections [delivery], [level], [takes].`},
		{"a workspace section", "[watch]\njobs = 1\n", "line 1: [watch] is not a section of this file; allowed are [delivery], [level], [takes]."},
		{"under a section", "[level]\n\nauthor = 'x'\n", `line 3: author = "x" stands below the heading [level]; allowed is above the first heading of the file.`},
		{"under credits", "[credits]\nyear = 2026\n", `line 2: year = 2026 stands below the heading [credits]; allowed is above the first heading of the file.`},
		{"unknown in a table", "title = 'x'\nsample = { chapter = 'x', form = '1:10' }\n", `line 2: form = "1:10" means nothing in sample; allowed there are file, chapter, from, to.`},
		{"unknown under a heading", "[credits]\n\nopenning = 'x'\n", `line 3: openning = "x" means nothing in credits; allowed there are opening, closing.`},
		{"no text", "author = 3\n", `line 1: author = 3 is not text in quotes; allowed is one line of at most 250 letters in quotes.`},
		{"a table for a text", "[title]\na = 1\n", `line 1: title = {...} is not text in quotes; allowed is one line of at most 250 letters in quotes.`},
		{"points for a text", "title.a = 1\n", `line 1: title = {...} is not text in quotes; allowed is one line of at most 250 letters in quotes.`},
		{"two lines", "title = '''a\nb'''\n", `line 1: title = "a\nb" has more than one line; allowed is one line of at most 250 letters in quotes.`},
		{"a line separator", "title = \"a\\u2028b\"\n", `line 1: title = "a\u2028b" has more than one line; allowed is one line of at most 250 letters in quotes.`},
		{"a control character", "author = \"a\\u001bb\"\n", `line 1: author = "a\x1bb" has a character that cannot be seen; allowed is one line of at most 250 letters in quotes.`},
		{"too long", "author = '" + strings.Repeat("é", 251) + "'\n", `line 1: author = "` + strings.Repeat("é", 56) + `... has 251 letters; allowed is one line of at most 250 letters in quotes.`},
		{"year in quotes", "year = '2026'\n", `line 1: year = "2026" is not a whole number; allowed is a year of four digits, without quotes.`},
		{"year 999", "year = 999\n", `line 1: year = 999 is not possible; allowed is a year of four digits, without quotes.`},
		{"year 10000", "year = 10000\n", `line 1: year = 10000 is not possible; allowed is a year of four digits, without quotes.`},
		{"no language", "language = 'Tidish'\n", `line 1: language = "Tidish" is not a language we know; allowed is the English name of a language, or its code, as in "English" or "en".`},
		{"no chapters", "chapters = 0\n", `line 1: chapters = 0 is not possible; allowed is ` + allowedChapters},
		{"many chapters", "chapters = 1000\n", `line 1: chapters = 1000 is not possible; allowed is ` + allowedChapters},
		{"half a chapter", "chapters = 1.5\n", `line 1: chapters = 1.5 is neither a whole number nor a list; allowed is ` + allowedChapters},
		{"an empty list", "chapters = []\n", `line 1: chapters = [...] is a list of 0 titles; allowed is ` + allowedChapters},
		{"a title that is none", "chapters = [\n'a',\n2]\n", `line 1: chapters = [...] is not possible, since title 2 in it, 2, is not text in quotes; allowed is ` + allowedChapters},
		{"words alone", "words = 2310\n", `line 1: words = 2310 is not a list; allowed is ` + allowedWords},
		{"fewer than no words", "words = [2310, -1]\n", `line 1: words = [...] is not possible, since number 2 in it, -1, is no number of words; allowed is ` + allowedWords},
		{"more words than chapters", "words = [1, 2, 3]\nchapters = 2\n", "line 2: words tells of 3 chapters while chapters says that there are 2; allowed is one number for each chapter at most."},
		{"credits alone", "credits = 'Opening credits'\n", `line 1: credits = "Opening credits" is not possible; allowed is the names of two files, as in { opening = "00 Opening credits", closing = "Closing credits" }.`},
		{"a folder", "credits = { opening = 'Tides/00 Opening credits' }\n", `line 1: opening = "Tides/00 Opening credits" names a folder too; allowed is the name of a file in the book's folder, in quotes, as in "03 The Ferry".`},
		{"sample twice", "[[sample]]\nchapter = 'x'\n", `line 1: sample = [...] is not text in quotes; allowed is a chapter and where in it, as in { chapter = "03 The Ferry", from = "1:10", to = "4:30" }, or only the chapter, as in "03 The Ferry".`},
		{"file and chapter", "sample = { file = 'x', chapter = 'y' }\n", "line 1: a sample that is a file of its own is not cut out of a chapter; allowed is file alone, or chapter with from and to."},
		{"times alone", "[sample]\nfrom = '1:10'\nto = '4:30'\n", `line 3: from and to say nothing without the chapter that they lie in; allowed is all three, as in { chapter = "03 The Ferry", from = "1:10", to = "4:30" }.`},
		{"backwards", "[sample]\nto = '1:10'\nchapter = 'x'\nfrom = '4:30'\n", "line 4: the sample ends before it begins; allowed is to later than from."},
		{"short", "sample = { chapter = 'x', from = '1:10', to = '2:09' }\n", "line 1: the sample would last 0:59 minutes; allowed is 1 to 5 minutes."},
		{"short from the start", "sample = { chapter = 'x', to = '0:59' }\n", "line 1: the sample would last 0:59 minutes; allowed is 1 to 5 minutes."},
		{"long", "sample = { chapter = 'x', from = '1:10', to = '6:11' }\n", "line 1: the sample would last 5:01 minutes; allowed is 1 to 5 minutes."},
		{"UTF-16", "\xff\xfet\x00", "this file is saved as UTF-16; open it in your editor and save it as UTF-8."},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := ReadAbout(ledger, []byte(tt.text))
			want := ledger + "/about.toml"
			if strings.HasPrefix(tt.want, "line ") {
				want += ", "
			} else {
				want += ": "
			}
			wantSentence(t, err, want+tt.want)
		})
	}
	for _, time := range []string{"'1:75'", "'1:10:75'", "'1:60:00'", "'-1:10'", "-1", "nan", "inf", "'1.5:10'", "'1:1e1'", "'a'", "':10'", "'1:'", "'1:2:3:4'", "'24:00:00'", "86400", "01:10:00", "true", "'1:10.'", "'٣:10'"} {
		_, err := ReadAbout(ledger, []byte("sample = { chapter = 'x', from = "+time+" }\n"))
		var e *Error
		if !errors.As(err, &e) || !strings.HasSuffix(e.Says, ` is not a time in a chapter; allowed is minutes and seconds in quotes, as in "1:10"`) {
			t.Errorf("from = %s: %v", time, err)
		}
	}
}

const (
	allowedChapters = `how many there are (1 to 999), or the list of their titles, as in ["Low Water", "The Causeway"].`
	allowedWords    = `a list of how many words each chapter has, as in [2310, 2450], with 0 for one you do not know.`
)

// The codes are those of ISO 639-2.
func TestLanguageCode(t *testing.T) {
	for written, want := range map[string]string{
		"English": "eng", "en": "eng", "eng": "eng", "en-GB": "eng", "EN_us": "eng", "british english": "eng",
		"German": "deu", "Deutsch": "deu", "ger": "deu", "de": "deu", "日本語": "jpn", "ja": "jpn", "Français": "fra", "c\u030Ces\u030Ctina": "ces",
		"Tie\u0302\u0301ng Vie\u0323\u0302t": "vie", "العربية": "ara", "sr-Latn": "srp", "Norwegian": "nor", "fil": "fil", "Tagalog": "fil", "cy": "cym", "gsw": "gsw",
		"": "", "und": "", "und-JP": "", "root": "", "x-tides": "", "Tidish": "", "xyz": "", "e": "", "en-": "", "English or so": "",
	} {
		if got := LanguageCode(written); got != want {
			t.Errorf("LanguageCode(%q) = %q, want %q", written, got, want)
		}
	}
	for name := range languageNames {
		if LanguageCode(name) == "" || strings.ToLower(name) != name {
			t.Errorf("%s has no code, or is not in small letters", name)
		}
	}
}

func TestAboutTemplate(t *testing.T) {
	for name, title := range map[string]string{
		ledger: ledger, "": "", `She said "no" \ 'yes' # x`: `She said "no" \ 'yes' # x`, "two\nlines\x00\x1b": "two lines",
		"\u202eback 潮の帳簿 🌊": "\u202eback 潮の帳簿 🌊", "bad \xff": "bad \uFFFD", strings.Repeat("潮", 300): strings.Repeat("潮", 250), " \t\x7f": "",
	} {
		text := AboutTemplate(name)
		got, err := ReadAbout("x", text)
		if err != nil {
			t.Fatalf("%q: %v\n%s", name, err, text)
		}
		if d := cmp.Diff(About{Title: title, Sample: Sample{FromS: -1, ToS: -1}}, got); d != "" {
			t.Errorf("%q: the file as it is says more than the title (-want +got):\n%s", name, d)
		}
		base := Default().Chapter
		base.Delivery.TailS = 4
		if chapter, err := ReadBook("x", text, base); err != nil || chapter != base {
			t.Errorf("%q: the file as it is changes the settings: %v", name, err)
		}
	}
	// Each example counts as soon as its # is taken away.
	lines := strings.Split(string(AboutTemplate(ledger)), "\n")
	before, _ := ReadAbout(ledger, []byte(strings.Join(lines, "\n")))
	examples := map[string]bool{}
	for i, l := range lines {
		if utf8.RuneCountInString(l) > 78 {
			t.Errorf("line %d is longer than 78 letters: %s", i+1, l)
		}
		name, _, isExample := strings.Cut(strings.TrimPrefix(l, "# "), " = ")
		if !strings.HasPrefix(l, "# ") || !isExample || strings.Contains(name, " ") || name == "tail_s" {
			continue
		}
		changed := append([]string{}, lines...)
		changed[i] = strings.TrimPrefix(l, "# ")
		after, err := ReadAbout(ledger, []byte(strings.Join(changed, "\n")))
		if err != nil || cmp.Equal(before, after) {
			t.Errorf("%s: does not count: %v", changed[i], err)
		}
		examples[name] = true
	}
	for _, name := range bookWords() {
		if name != "title" && !examples[name] {
			t.Errorf("%s has no example", name)
		}
	}
	whole := strings.NewReplacer("# [delivery]", "[delivery]", "# tail_s", "tail_s").Replace(string(AboutTemplate(ledger)))
	if got, err := ReadBook(ledger, []byte(whole), Default().Chapter); err != nil || got.Delivery.TailS != 3 {
		t.Errorf("the example of [delivery] does not count: %v", err)
	}
}

// Whatever the bytes, reading ends in words within their bounds or in a sentence that
// names the file, and a name of any folder makes a template that says its title.
func FuzzReadAbout(f *testing.F) {
	f.Add(string(AboutTemplate(ledger)))
	for _, l := range aboutLines {
		f.Add(l.example)
	}
	f.Add("sample.from.x = 1\n[[credits]]\n\"a.b\".c = 1979-05-27\n")
	f.Fuzz(func(t *testing.T, text string) {
		a, err := ReadAbout(ledger, []byte(text))
		var e *Error
		switch {
		case err != nil && (!errors.As(err, &e) || !strings.HasPrefix(e.Where, ledger) || e.Says == ""):
			t.Fatalf("not a sentence about the file: %v", err)
		case err == nil:
			for _, line := range append([]string{a.Title, a.Author, a.Narrator, a.Publisher, a.Opening, a.Closing, a.Sample.File, a.Sample.Chapter}, a.Titles...) {
				if _, why := oneLine(line); why != "" || strings.TrimSpace(line) != line {
					t.Fatalf("%q was let in", line)
				}
			}
			if a.Chapters < 0 || a.Chapters > mostChapters || len(a.Titles) != 0 && len(a.Titles) != a.Chapters || a.Sample.FromS < -1 || a.Sample.ToS < -1 {
				t.Fatalf("%+v was let in", a)
			}
		}
		if got, err := ReadAbout("x", AboutTemplate(text)); err != nil || got.Title != asTitle(text) {
			t.Fatalf("the template of %q: %v, title %q", text, err, got.Title)
		}
	})
}
