package config

import (
	"bytes"
	"fmt"
	"strings"
	"unicode"
)

// aboutLine is one line of the commented about.toml, with what stands over it.
type aboutLine struct{ says, example string }

const aboutPreface = `What this book is. Nothing in the first part of this file changes the sound: it is written into the finished files, and onto the pages about the book.
Everything is optional. The lines that begin with # are examples from an invented book; change one, and take away its #, and it counts.
The file stays in the book's folder in the inbox. Save it whenever something changes: the finished files follow.
A picture named cover.jpg or cover.png beside it becomes the cover.`

var aboutLines = []aboutLine{
	{"Who wrote it, who reads it, and who brings it out.", `author = "Odile Marsh"`},
	{"", `narrator = "Tam Verrall"`},
	{"", `publisher = "The name of your publisher"`},
	{"The year it comes out.", `year = 2026`},
	{"The language it is read in: its English name, or its code.", `language = "English"`},
	{"How many chapters there are to be. Only with this can the book be called complete.", `chapters = 40`},
	{"Or, in its place, their titles in order; they then stand in the finished files too.", `chapters = ["Low Water", "The Causeway", "The Ferry"]`},
	{"How many words each chapter has, in order, so that one far too short is noticed; 0 for one you do not know.", `words = [2310, 2450, 1985]`},
	{"Which files are the credits, if their names do not say so.", `credits = { opening = "00 Opening credits", closing = "Closing credits" }`},
	{"What the sample is cut from: 1 to 5 minutes, at the pauses nearest to these times. Without times, its beginning.", `sample = { chapter = "03 The Ferry", from = "1:10", to = "4:30" }`},
	{"Or, in its place, a recording of yours that is the sample as it is.", `sample = { file = "Sample" }`},
}

const aboutEnd = `Where this book's client asks for something else than the rest of your books, write it below. This part does change the sound. It holds for chapters made for the first time; what is finished follows when you run lectern remake. All that is possible stands in lectern.toml, under the same headings.`

// AboutTemplate writes a commented about.toml for a book, which is named as its folder is.
// Of its lines only the title counts as it stands; it is the one the book has anyway.
func AboutTemplate(book string) []byte {
	var b bytes.Buffer
	for _, line := range strings.Split(aboutPreface, "\n") {
		comment(&b, line)
	}
	fmt.Fprintln(&b)
	comment(&b, "The title of the book.")
	if title := asTitle(book); title != "" {
		fmt.Fprintf(&b, "title = %s\n", quoteTOML(title))
	} else {
		fmt.Fprintln(&b, `# title = "A Ledger of Small Tides"`)
	}
	for _, l := range aboutLines {
		if l.says != "" {
			fmt.Fprintln(&b)
			comment(&b, l.says)
		}
		fmt.Fprintln(&b, "# "+l.example)
	}
	fmt.Fprintln(&b)
	comment(&b, aboutEnd)
	fmt.Fprintln(&b, "# [delivery]\n# tail_s = 3")
	return b.Bytes()
}

// asTitle makes the name of a folder into a text that an about.toml may hold.
func asTitle(name string) string {
	name = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r): // line breaks too
			return ' '
		case unicode.IsControl(r):
			return -1
		}
		return r
	}, strings.ToValidUTF8(name, "\uFFFD"))
	if letters := []rune(name); len(letters) > maxTextLetters {
		name = string(letters[:maxTextLetters])
	}
	return strings.TrimSpace(name)
}

// quoteTOML writes a text of one line without control characters as a basic string (TOML
// 1.0.0, section String).
func quoteTOML(text string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(text) + `"`
}
