package book

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode"

	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// column is one column of book.csv: its heading, and what stands in it for a file. A cell
// is a number or a text; a text may be anything, a number is ours.
type column struct {
	heading string
	cell    func(File) any
}

// columns of book.csv. A figure is empty where there is none.
var columns = []column{
	{"place in the book", func(f File) any { return orNone(f.Place != 0, f.Place) }},
	{"file", func(f File) any { return f.Name }},
	{"kind", func(f File) any { return f.Kind }},
	{"chapter number", func(f File) any { return intOf(f.Number) }},
	{"title", func(f File) any { return f.Title }},
	{"state", func(f File) any { return f.State }},
	{"verdict", func(f File) any { return f.Verdict }},
	{"revision", func(f File) any { return orNone(f.Revision != 0, f.Revision) }},
	{"made at (UTC)", func(f File) any {
		if f.MadeAt == nil {
			return nil
		}
		return f.MadeAt.UTC().Format("2006-01-02 15:04")
	}},
	{"length (h:mm:ss)", func(f File) any {
		if f.DurationS == nil {
			return nil
		}
		return hoursClock(*f.DurationS)
	}},
	{"length (seconds)", func(f File) any { return secondsOf(f.DurationS) }},
	{"length (hours)", func(f File) any {
		if f.DurationS == nil {
			return nil
		}
		return hours(*f.DurationS)
	}},
	{"places to hear", func(f File) any { return orNone(f.State == Finished, f.Places) }},
	{"loudest moment (dBFS)", level(func(m *report.Measured) meter.DB { return m.SamplePeakDBFS })},
	{"loudest moment in a player, true peak (dBTP)", level(func(m *report.Measured) meter.DB { return m.TruePeakDBTP })},
	{"average level, RMS (dBFS)", level(func(m *report.Measured) meter.DB { return m.RMSDBFS })},
	{"loudness (LUFS)", level(func(m *report.Measured) meter.DB { return m.IntegratedLUFS })},
	{"noise floor (dBFS)", level(func(m *report.Measured) meter.DB { return m.NoiseFloorDBFS })},
	{"room tone (dBFS)", level(func(m *report.Measured) meter.DB { return m.RoomToneDBFS })},
	{"before the first word (seconds)", func(f File) any {
		if f.Figures == nil {
			return nil
		}
		return secondsOf(f.Figures.HeadS)
	}},
	{"after the last word (seconds)", func(f File) any {
		if f.Figures == nil {
			return nil
		}
		return secondsOf(f.Figures.TailS)
	}},
	{"what is said of it", func(f File) any { return f.Says }},
	{"sum of the sound (SHA-256)", func(f File) any { return f.AudioSHA256 }},
}

// byteOrderMark tells a spreadsheet that the text is UTF-8.
const byteOrderMark = "\ufeff"

// WriteCSV writes book.csv: a heading, one row for each file in the book's order, and a
// row for the whole book. separator is a comma, a semicolon or a tab. Numbers have a
// decimal point; with a semicolon they have a decimal comma, as spreadsheets expect it
// where a comma cannot part the cells (our choice). An error is one of w.
func WriteCSV(w io.Writer, b *Book, separator rune) error {
	if _, err := io.WriteString(w, byteOrderMark); err != nil {
		return fmt.Errorf("write the table of the book: %w", err)
	}
	out := csv.NewWriter(w)
	out.Comma, out.UseCRLF = separator, true
	rows := [][]string{make([]string, len(columns))}
	for i, c := range columns {
		rows[0][i] = c.heading
	}
	for _, f := range b.Files {
		row := make([]string, len(columns))
		for i, c := range columns {
			row[i] = cellText(c.cell(f), separator)
		}
		rows = append(rows, row)
	}
	if err := out.WriteAll(append(rows, totals(b, separator))); err != nil {
		return fmt.Errorf("write the table of the book: %w", err)
	}
	return nil
}

// totals is the row of the whole book.
func totals(b *Book, separator rune) []string {
	state := "ready to hand over"
	if len(b.ToDo) > 0 {
		state = count(len(b.ToDo), "thing") + " to do"
	}
	verdict, places := "", 0
	if b.Verdict != nil {
		verdict = *b.Verdict
	}
	for _, f := range b.Files {
		places += f.Places
	}
	cells := map[string]any{
		"file": "the whole book, without the sample", "title": b.Title, "state": state, "verdict": verdict,
		"length (h:mm:ss)": b.FinishedClock, "length (seconds)": b.FinishedS, "length (hours)": b.FinishedHours,
		"places to hear": places,
	}
	row := make([]string, len(columns))
	for i, c := range columns {
		row[i] = cellText(cells[c.heading], separator)
	}
	return row
}

// cellText writes a cell; nil is an empty one.
func cellText(v any, separator rune) string {
	var number string
	switch v := v.(type) {
	case nil:
		return ""
	case string:
		return guarded(plain(v))
	case int:
		number = strconv.Itoa(v)
	case report.Seconds:
		number = strconv.FormatFloat(float64(v), 'f', 3, 64)
	case report.Figure:
		number = strconv.FormatFloat(float64(v), 'f', 2, 64)
	default:
		panic(fmt.Sprintf("a cell of the table holds a %T", v))
	}
	if separator == ';' {
		return strings.Replace(number, ".", ",", 1)
	}
	return number
}

// guarded keeps a spreadsheet from taking a text for a formula and carrying it out: one
// that begins like a formula, whatever blanks lie before that, gets an apostrophe. Wide
// signs are taken for the narrow ones by some.
func guarded(text string) string {
	if text == "" {
		return text
	}
	first := strings.TrimLeftFunc(text, func(r rune) bool {
		return unicode.IsSpace(r) || unicode.IsControl(r) || unicode.Is(unicode.Cf, r)
	})
	if strings.ContainsAny(text[:1], "\t\r\n") || first != "" && strings.ContainsRune("=+-@＝＋－＠", []rune(first)[0]) {
		return "'" + text
	}
	return text
}

func orNone(is bool, n int) any {
	if !is {
		return nil
	}
	return n
}

func intOf(n *int) any {
	if n == nil {
		return nil
	}
	return *n
}

func secondsOf(s *report.Seconds) any {
	if s == nil {
		return nil
	}
	return *s
}

func level(of func(*report.Measured) meter.DB) func(File) any {
	return func(f File) any {
		if f.Figures == nil || of(f.Figures).IsSilent() {
			return nil
		}
		return report.Figure(of(f.Figures))
	}
}
