package book

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"os/exec"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

func csvText(t *testing.T, b *Book, separator rune) string {
	t.Helper()
	var out bytes.Buffer
	if err := WriteCSV(&out, b, separator); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// hostile are names that try to be something else.
var hostile = []string{
	"=HYPERLINK(\"http://x\")", "+1+1", "-2+3", "@SUM(A1)", "\t=1+1", "\r=1+1", " \u200b=cmd", "＝1+1",
	"03 <script>alert('x')</script>", "03 \"quoted\", with; all\tseparators", "03 line\nend\r\nand\u2028more",
	"03 \u202egnorw eht\u202c yaw", "03 \u0627\u0644\u0645\u062f\u0651", "03 \u6f6e\u306e\u53f0\u5e33", "03 👩‍👩‍👧", "03 \xff\xfe not UTF-8", strings.Repeat("03 x", 50),
}

// tricky is a book of hostile names, with a value below zero and without figures.
func tricky(t *testing.T) *Book {
	in := Input{Name: "<b>" + hostile[0], Now: now}
	in.About.Title, in.About.Author = "=1+1", "\u202eOdile\nMarsh"
	for _, name := range hostile {
		in.Reports = append(in.Reports, made(name, found(click(30)), measures(func(m *report.Measured) { m.RoomToneDBFS = meter.Silent })))
	}
	in.Waiting = []Pending{{"=waits", "=because\nof this"}}
	return judge(t, in)
}

func TestWriteCSV(t *testing.T) {
	in := whole(1)
	in.Waiting = []Pending{{"02 Weir", "complete"}}
	got := csvText(t, judge(t, in), ';')
	want := byteOrderMark + strings.ReplaceAll(`place in the book;file;kind;chapter number;title;state;verdict;revision;made at (UTC);length (h:mm:ss);length (seconds);length (hours);places to hear;loudest moment (dBFS);loudest moment in a player, true peak (dBTP);average level, RMS (dBFS);loudness (LUFS);noise floor (dBFS);room tone (dBFS);before the first word (seconds);after the last word (seconds);what is said of it;sum of the sound (SHA-256)
1;Opening credits;opening credits;;Opening credits;finished;pass;1;2026-11-25 09:37;0:00:12;12,000;0,00;0;-3,03;-2,93;-20,00;-19,40;-66,00;-64,00;0,500;2,000;;`+sum("sound Opening credits")+`
2;01 Tide;chapter;1;Tide;finished;pass;1;2026-11-25 09:37;0:10:00;600,000;0,17;0;-3,03;-2,93;-20,00;-19,40;-66,00;-64,00;0,500;2,000;;`+sum("sound 01 Tide")+`
3;02 Weir;chapter;2;Weir;waiting;;;;;;;;;;;;;;;;complete.;
4;Closing credits;closing credits;;Closing credits;finished;pass;1;2026-11-25 09:37;0:00:15;14,500;0,00;0;-3,03;-2,93;-20,00;-19,40;-66,00;-64,00;0,500;2,000;;`+sum("sound Closing credits")+`
;Sample;sample;;Sample;finished;pass;1;2026-11-25 09:37;0:03:00;180,000;0,05;0;-3,03;-2,93;-20,00;-19,40;-66,00;-64,00;0,500;2,000;;`+sum("sound Sample")+`
;the whole book, without the sample;;;A Ledger of Small Tides;1 thing to do;pass;;;0:10:27;626,500;0,17;0;;;;;;;;;;
`, "\n", "\r\n")
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("book.csv (-want +got):\n%s", d)
	}
}

// With a comma or a tab numbers have a decimal point, and a heading with a comma is quoted.
func TestWriteCSVSeparators(t *testing.T) {
	for _, separator := range []rune{',', '\t'} {
		rows := readCSV(t, csvText(t, judge(t, whole(1)), separator), separator)
		if got := rows[2][15]; rows[0][15] != "average level, RMS (dBFS)" || got != "-20.00" {
			t.Errorf("with %q: %s is %s", separator, rows[0][15], got)
		}
	}
}

func readCSV(t *testing.T, text string, separator rune) [][]string {
	t.Helper()
	r := csv.NewReader(strings.NewReader(strings.TrimPrefix(text, byteOrderMark)))
	r.Comma = separator
	rows, err := r.ReadAll() // refuses rows of other lengths
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// wantHostile are the names as a spreadsheet shall show them.
var wantHostile = map[string]string{
	hostile[0]: "'=HYPERLINK(\"http://x\")", "+1+1": "'+1+1", "-2+3": "'-2+3", "@SUM(A1)": "'@SUM(A1)", "\t=1+1": "'=1+1", "\r=1+1": "'=1+1",
	" \u200b=cmd": "'\u200b=cmd", "＝1+1": "'＝1+1",
	hostile[9]: "03 \"quoted\", with; all separators", hostile[10]: "03 line end  and more", hostile[11]: "03 gnorw eht yaw", hostile[15]: "03 ? not UTF-8",
}

// Whatever the names hold: no cell is taken for a formula, no row breaks, and all else is
// as it was.
func TestWriteCSVHostile(t *testing.T) {
	b := tricky(t)
	for _, separator := range []rune{',', ';', '\t'} {
		text := csvText(t, b, separator)
		rows := readCSV(t, text, separator)
		if len(rows) != len(b.Files)+2 {
			t.Fatalf("%d rows of %d files", len(rows), len(b.Files))
		}
		for i, f := range b.Files {
			want, changed := wantHostile[f.Name]
			if f.Name == "=waits" {
				want, changed = "'=waits", true
			}
			if !changed {
				want = f.Name
			}
			if got := rows[i+1][1]; got != want {
				t.Errorf("%q stands as %q, want %q", f.Name, got, want)
			}
		}
		for _, row := range rows {
			for i, cell := range row {
				isNumber := strings.Contains(rows[0][i], "(dB") || strings.Contains(rows[0][i], "LUFS")
				if !isNumber && cell != "" && strings.ContainsAny(cell[:1], "=+-@\t\r\n") {
					t.Errorf("%s holds %q", rows[0][i], cell)
				}
			}
		}
	}
}

// Another reader reads the same.
func TestWriteCSVReadElsewhere(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("python3 is not there to read the table")
	}
	b := tricky(t)
	for _, separator := range []rune{',', ';', '\t'} {
		text := csvText(t, b, separator)
		if d := cmp.Diff(readCSV(t, text, separator), pythonReads(t, python, text, separator)); d != "" {
			t.Errorf("two readers differ (-Go +Python):\n%s", d)
		}
	}
}

// pythonReads reads text with another CSV reader.
func pythonReads(t *testing.T, python, text string, separator rune) [][]string {
	t.Helper()
	const script = `import csv, io, json, sys
text = io.TextIOWrapper(sys.stdin.buffer, encoding="utf-8-sig", newline="")
json.dump(list(csv.reader(text, delimiter=sys.argv[1], strict=True)), sys.stdout)`
	cmd := exec.Command(python, "-c", script, string(separator))
	cmd.Stdin = strings.NewReader(text)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var rows [][]string
	if err := json.Unmarshal(out, &rows); err != nil {
		t.Fatal(err)
	}
	return rows
}

func TestGuarded(t *testing.T) {
	for text, want := range map[string]string{
		"": "", "03 The Ferry": "03 The Ferry", "a=b": "a=b", "=1": "'=1", "+1": "'+1", "-1": "'-1", "@a": "'@a",
		"\ta": "'\ta", "\ra": "'\ra", "\na": "'\na", "  =1": "'  =1", "\u00a0=1": "'\u00a0=1", "\u200b@a": "'\u200b@a", "＠a": "'＠a", " ": " ",
	} {
		if got := guarded(text); got != want {
			t.Errorf("%q is guarded as %q, want %q", text, got, want)
		}
	}
}

func TestWriteCSVFullDisk(t *testing.T) {
	broken := errors.New("the disk is full")
	if err := WriteCSV(failing{broken}, judge(t, whole(1)), ','); !errors.Is(err, broken) {
		t.Errorf("a full disk gives %v", err)
	}
}
