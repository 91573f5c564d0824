package book

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// plain makes one line of a name, or of any text: no line ends, nothing that moves a
// cursor, and nothing that turns the writing around.
func plain(text string) string {
	text = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case unicode.IsControl(r), r == unicode.ReplacementChar:
			return '?'
		case unicode.Is(unicode.Bidi_Control, r), r == '\ufeff':
			return -1
		}
		return r
	}, strings.ToValidUTF8(text, "?"))
	return strings.TrimSpace(text)
}

// quoted is a name in a sentence.
func quoted(name string) string { return `"` + plain(name) + `"` }

// sentence gives text the end of one.
func sentence(text string) string {
	text = plain(text)
	if text == "" || strings.ContainsAny(text[len(text)-1:], ".!?") {
		return text
	}
	return text + "."
}

// capital gives a sentence its first letter.
func capital(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	if size == 0 {
		return ""
	}
	return string(unicode.ToUpper(first)) + text[size:]
}

// list joins words as a sentence does: a, b and c.
func list(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// fewNames is how many names a sentence holds; the rest are counted. Our choice.
const fewNames = 8

// few lists names, the first of many.
func few(names []string) string {
	if len(names) > fewNames {
		more := fmt.Sprintf("%d more", len(names)-fewNames)
		return list(append(names[:fewNames:fewNames], more))
	}
	return list(names)
}

// count writes a number with its word: 1 place, 12 places.
func count(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

// day writes when something was, for people.
func day(t time.Time) string { return t.UTC().Format("2 January 2006, 15:04") + " UTC" }

// spans writes rising numbers with what lies between left out: 4 to 9 and 12.
func spans(numbers []int) string {
	var out []string
	for i := 0; i < len(numbers); {
		last := i
		for last+1 < len(numbers) && numbers[last+1] == numbers[last]+1 {
			last++
		}
		switch {
		case last == i:
			out = append(out, fmt.Sprint(numbers[i]))
		case last == i+1:
			out = append(out, fmt.Sprint(numbers[i]), fmt.Sprint(numbers[last]))
		default:
			out = append(out, fmt.Sprintf("%d to %d", numbers[i], numbers[last]))
		}
		i = last + 1
	}
	return few(out)
}

// textWidth is how wide the texts are.
const textWidth = 78

// wrapped breaks text into lines that begin with indent, the first with first.
func wrapped(first, indent, text string) string {
	var b strings.Builder
	line, empty := first, true
	for _, word := range strings.Fields(text) {
		if !empty && len([]rune(line))+1+len([]rune(word)) > textWidth {
			b.WriteString(strings.TrimRight(line, " ") + "\n")
			line, empty = indent, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	b.WriteString(strings.TrimRight(line, " ") + "\n")
	return b.String()
}
