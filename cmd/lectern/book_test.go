package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"maps"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/dhowden/tag"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"lectern/pipeline/book"
	"lectern/pipeline/report"
)

const aboutTides = `title = "A Ledger of Small Tides"
author = "Odile Marsh"
narrator = "Tam Verrall"
publisher = "潮の本"
year = 2026
language = "English"
chapters = 12
sample = { chapter = "01 Low Water", from = "0:02", to = "1:04" }
`

// tides are the recordings of a book of twelve chapters: 03 in three takes, 04 far louder
// than the others, 05 in a noisy room, 06 without room behind its last word, 07 missing and
// 09 there twice.
func tides(t *testing.T) map[string]raw {
	all := slices.Concat(theFerry, theToll)
	chapter := func(seed uint64, from, to int, levelDB, roomDBFS float64) raw {
		v := usual
		v.levelDB = levelDB
		tp := newTape(t, v, seed)
		tp.read(all, from, to)
		return tp.done(roomDBFS)
	}
	out := map[string]raw{
		"00 Opening credits.wav": chapter(20, 1, 2, 0, -68),
		"01 Low Water.wav":       chapter(21, 1, len(all), 0, -68),
		"02 The Causeway.wav":    chapter(22, 2, 6, -2, -68),
		"04 The Mill.wav":        chapter(24, 4, 8, 7, -61),
		"05 Rope.wav":            chapter(25, 5, 9, 0, -44),
		"06 Ebb.wav":             chapter(26, 6, 10, 0, -68),
		"08 The Salt House.wav":  chapter(28, 8, 12, 1, -68),
		"09 The Toll.wav":        chapter(29, 12, 16, 0, -68),
		"09 The Tolls.wav":       chapter(30, 11, 15, 0, -68),
		"10 The Lamp.wav":        chapter(31, 3, 7, 0, -68),
		"11 Slack.wav":           chapter(32, 9, 13, 0, -68),
		"Chapter 12 - Flood.wav": chapter(33, 10, 14, 0, -68),
		"Closing credits.wav":    chapter(34, 15, 16, 0, -68),
	}
	ebb := out["06 Ebb.wav"]
	ebb.wav = withoutTail(ebb.wav, 2.0)
	out["06 Ebb.wav"] = ebb
	maps.Copy(out, ferryTakes(t))
	return out
}

// withoutTail cuts the end off a WAV.
func withoutTail(wav []byte, s float64) []byte {
	samples := (len(wav)-44)/2 - int(s*voiceRateHz)
	return append(wavHeader(samples), wav[44:44+2*samples]...)
}

func pictured(t *testing.T) []byte {
	t.Helper()
	p := image.NewRGBA(image.Rect(0, 0, 64, 64))
	for i := range 64 {
		p.Set(i, i, color.RGBA{uint8(4 * i), 90, 120, 255})
	}
	var out bytes.Buffer
	if err := png.Encode(&out, p); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// TestBookIsTold drops a book of twelve chapters, in which one is missing, one is there
// twice and one was read in a noisy room, and looks at all that is told of it.
func TestBookIsTold(t *testing.T) {
	if testing.Short() {
		t.Skip("large")
	}
	needsVoice(t)
	n := newNarrator(t)
	cover := pictured(t)
	write(t, filepath.Join(n.root, "inbox", ledger, "about.toml"), []byte("\ufeff"+aboutTides))
	write(t, filepath.Join(n.root, "inbox", ledger, "cover.png"), cover)
	recordings := tides(t)
	for name, r := range recordings {
		n.drop(name, r)
	}
	b := n.awaitBook(func(b *book.Book) bool { return b.Finished() == 15 && b.Credits.Sample == "Sample" })

	t.Run("book.json", func(t *testing.T) { n.isTheBook(t, b) })
	t.Run("book.csv", func(t *testing.T) { n.isTheTable(t, b) })
	t.Run("tags", func(t *testing.T) { n.areTheTags(t, b, "A Ledger of Small Tides", cover) })
	t.Run("listen.txt", func(t *testing.T) { n.isTheList(t, b) })
	t.Run("pages", func(t *testing.T) { n.areThePages(t, b) })
	n.run(0, "audit", n.root)

	// Another title: every file gets it, and no sound changes.
	write(t, filepath.Join(n.root, "inbox", ledger, "about.toml"), []byte(strings.Replace(aboutTides, "of Small Tides", "of Smaller Tides", 1)))
	again := n.awaitBook(func(b *book.Book) bool {
		return b.Title == "A Ledger of Smaller Tides" && !slices.ContainsFunc(b.Files, func(f book.File) bool {
			if f.State != book.Finished {
				return false
			}
			r := n.report(f)
			return r.Tags.Album != b.Title || r.Finished.SHA256 != f.SHA256
		})
	})
	for _, f := range again.Files {
		was := fileNamed(b, f.Name)
		if f.AudioSHA256 != was.AudioSHA256 || f.Revision != was.Revision || f.SHA256 == was.SHA256 && f.State == book.Finished {
			t.Errorf("%s after another title: revision %d and %d, the same sound: %v, the same file: %v",
				f.Name, was.Revision, f.Revision, f.AudioSHA256 == was.AudioSHA256, f.SHA256 == was.SHA256)
		}
	}
	n.areTheTags(t, again, "A Ledger of Smaller Tides", cover)
	n.run(0, "audit", n.root)

	// Handed over; then 07 comes, and 08 is read again.
	out := n.run(exitAttention, "handover", ledger)
	if !strings.Contains(out, "15 files written down") {
		t.Errorf("handover says:\n%s", out)
	}
	n.drop("07 The Gauge.wav", recordings["08 The Salt House.wav"].read(t, 41))
	n.drop("08 The Salt House.wav", recordings["08 The Salt House.wav"].read(t, 42))
	last := n.awaitBook(func(b *book.Book) bool {
		return b.HandedOver != nil && len(b.HandedOver.Changed) == 2 && len(b.Missing) == 0
	})
	var changed []string
	for _, c := range last.HandedOver.Changed {
		changed = append(changed, c.Says)
	}
	if want := []string{"07 (new)", "08 (revision 2)"}; !slices.Equal(changed, want) {
		t.Errorf("changed since it was handed over: %q, want %q", changed, want)
	}
	n.isMadeAnew(t)
	n.run(0, "audit", n.root)
}

// read is a recording with another room, so that it is another recording of the same.
func (r raw) read(t *testing.T, seed uint64) raw {
	tp := newTape(t, usual, seed)
	tp.read(theFerry, 8, 12)
	return tp.done(-68)
}

func (n *narrator) report(f book.File) *report.Report {
	n.t.Helper()
	var r report.Report
	text, err := os.ReadFile(n.finished(f.Stem + ".json"))
	if err == nil {
		err = json.Unmarshal(text, &r)
	}
	if err != nil || r.Tags == nil {
		n.t.Fatalf("the report of %s: %v", f.Name, err)
	}
	return &r
}

// awaitBook waits until book.json is as it should be and nothing is in work.
func (n *narrator) awaitBook(as func(b *book.Book) bool) *book.Book {
	n.t.Helper()
	limit := time.After(4 * time.Minute)
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	for {
		b := &book.Book{}
		text, err := os.ReadFile(n.finished("book.json"))
		if err == nil {
			err = json.Unmarshal(text, b)
		}
		if err == nil && as(b) && empty(n.t, filepath.Join(n.root, "working")) {
			isValidBook(n.t, text)
			return b
		}
		select {
		case <-tick.C:
		case err := <-n.daemon.ended:
			n.t.Fatalf("the daemon ended by itself: %v\n%s", err, n.daemon.log)
		case <-limit:
			n.t.Fatalf("book.json did not come to be as it should (%v):\n%s\n%s", err, text, n.daemon.log)
		}
	}
}

func isValidBook(t *testing.T, text []byte) {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	for url, data := range map[string][]byte{"book.schema.json": book.SchemaJSON, "urn:lectern:report:1": report.SchemaJSON} {
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
		if err == nil {
			err = c.AddResource(url, doc)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	s, err := c.Compile("book.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err == nil {
		err = s.Validate(v)
	}
	if err != nil {
		t.Errorf("book.json does not keep to its schema: %v", err)
	}
}

func fileNamed(b *book.Book, name string) book.File {
	i := slices.IndexFunc(b.Files, func(f book.File) bool { return f.Name == name })
	if i < 0 {
		return book.File{}
	}
	return b.Files[i]
}

// isTheBook compares book.json with what was dropped.
func (n *narrator) isTheBook(t *testing.T, b *book.Book) {
	var order []string
	var finishedS float64
	for _, f := range b.Files {
		order = append(order, fmt.Sprintf("%d %s %s", f.Place, f.Name, f.State))
		if f.Kind != book.Sample && f.DurationS != nil {
			finishedS += float64(*f.DurationS)
		}
	}
	want := []string{
		"1 00 Opening credits finished", "2 01 Low Water finished", "3 02 The Causeway finished", "4 03 The Ferry finished",
		"5 04 The Mill finished", "6 05 Rope finished", "7 06 Ebb finished", "9 08 The Salt House finished",
		"10 09 The Toll finished", "10 09 The Tolls finished", "11 10 The Lamp finished", "12 11 Slack finished",
		"13 Chapter 12 - Flood finished", "14 Closing credits finished", "0 Sample finished",
	}
	if !slices.Equal(order, want) {
		t.Errorf("the files are\n%q, want\n%q", order, want)
	}
	if b.Verdict == nil || *b.Verdict != report.Fail || b.Complete == nil || *b.Complete {
		t.Errorf("verdict %v, complete %v", b.Verdict, b.Complete)
	}
	if !slices.Equal(b.Missing, []int{7}) || !slices.Equal(b.Doubled, []int{9}) {
		t.Errorf("missing %v, doubled %v; want 7 and 9", b.Missing, b.Doubled)
	}
	if math.Abs(finishedS-float64(b.FinishedS)) > 0.01 || math.Abs(float64(b.FinishedHours)-finishedS/3600) > 0.0051 {
		t.Errorf("%.3f s finished, which is %.2f hours; the files are %.3f s", float64(b.FinishedS), float64(b.FinishedHours), finishedS)
	}
	for _, f := range b.Files {
		failed := f.Name == "05 Rope"
		if (f.Verdict == report.Fail) != failed {
			t.Errorf("%s: verdict %s", f.Name, f.Verdict)
		}
	}
	var apart, kinds []string
	for _, o := range b.Outliers {
		apart = append(apart, o.Name+" "+o.Figure)
	}
	for _, d := range b.ToDo {
		kinds = append(kinds, d.Kind+" "+d.Name)
	}
	if !slices.Contains(apart, "05 Rope noise_floor_dbfs") {
		t.Errorf("outliers %q lack the noisy room", apart)
	}
	// A far louder recording comes out as loud as the others.
	if slices.ContainsFunc(apart, func(s string) bool { return strings.HasPrefix(s, "04 ") }) {
		t.Errorf("outliers %q", apart)
	}
	if len(kinds) < 3 || !slices.Equal(kinds[:3], []string{"missing ", "failed 05 Rope", "doubled 09 The Toll"}) {
		t.Errorf("to do: %q", kinds)
	}
	t.Logf("outliers %q, to do %q", apart, kinds)
	sample := n.report(fileNamed(b, "Sample"))
	if s := float64(sample.Finished.DurationS); s < 58 || s > 70 || sample.Recipe.Sample == nil || sample.Recipe.Sample.Chapter != "01 Low Water" {
		t.Errorf("the sample is %.1f s, %+v", s, sample.Recipe.Sample)
	}
}

// isTheTable reads book.csv with another reader than wrote it, where there is one.
func (n *narrator) isTheTable(t *testing.T, b *book.Book) {
	data, err := os.ReadFile(n.finished("book.csv"))
	if err != nil {
		t.Fatal(err)
	}
	text, ok := bytes.CutPrefix(data, []byte("\xef\xbb\xbf"))
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil || !ok || len(rows) != len(b.Files)+2 {
		t.Fatalf("%d rows, a byte-order mark: %v, %v", len(rows), ok, err)
	}
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("python3 is not installed, so no other program reads the table")
	}
	const read = `import csv, json, sys
print(json.dumps(list(csv.reader(open(sys.argv[1], encoding="utf-8-sig", newline="")))))`
	out, err := exec.Command(python, "-c", read, n.finished("book.csv")).Output()
	var theirs [][]string
	if err == nil {
		err = json.Unmarshal(out, &theirs)
	}
	if err != nil || !slices.EqualFunc(rows, theirs, slices.Equal) {
		t.Errorf("python reads another table (%v):\n%q\n%q", err, theirs, rows)
	}
}

// areTheTags reads the tags back with a library and, where it is installed, ffprobe.
func (n *narrator) areTheTags(t *testing.T, b *book.Book, album string, cover []byte) {
	t.Helper()
	probe, missing := exec.LookPath("ffprobe")
	for _, f := range b.Files {
		track := fmt.Sprintf("%d/14", f.Place)
		if f.Kind == book.Sample {
			track = ""
		}
		mp3, err := os.Open(n.finished(f.Stem + ".mp3"))
		if err != nil {
			t.Fatal(err)
		}
		m, err := tag.ReadFrom(mp3)
		if err := mp3.Close(); err != nil {
			t.Fatal(err)
		}
		if err != nil {
			t.Fatalf("%s: %v", f.Name, err)
		}
		at, of := m.Track()
		got := fmt.Sprintf("%d/%d", at, of)
		if at == 0 {
			got = ""
		}
		if m.Title() != f.Name || m.Album() != album || m.Artist() != "Odile Marsh" || m.Composer() != "Tam Verrall" || m.Year() != 2026 || got != track ||
			m.Picture() == nil || !bytes.Equal(m.Picture().Data, cover) {
			t.Errorf("%s: %q, %q, %q, %q, %d, track %s, want %s", f.Name, m.Title(), m.Album(), m.Artist(), m.Composer(), m.Year(), got, track)
		}
		if missing != nil {
			continue
		}
		out, err := exec.Command(probe, "-v", "error", "-show_entries", "format_tags", "-of", "json", n.finished(f.Stem+".mp3")).Output()
		var seen struct {
			Format struct{ Tags map[string]string }
		}
		if err == nil {
			err = json.Unmarshal(out, &seen)
		}
		want := map[string]string{
			"title": f.Name, "album": album, "artist": "Odile Marsh", "composer": "Tam Verrall", "publisher": "潮の本",
			"date": "2026", "language": "eng", "genre": "Audiobook",
		}
		if track != "" {
			want["track"] = track
		}
		delete(seen.Format.Tags, "encoder")
		if err != nil || !maps.Equal(seen.Format.Tags, want) {
			t.Errorf("%s: ffprobe reads %q (%v), want %q", f.Name, seen.Format.Tags, err, want)
		}
	}
}

// isTheList looks for the places of the chapters that have some, and for no other chapter.
func (n *narrator) isTheList(t *testing.T, b *book.Book) {
	text, err := os.ReadFile(n.finished("listen.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range b.Files {
		if told := strings.Contains(string(text), "\n"+f.Name+" (revision"); told != (f.Places > 0) {
			t.Errorf("%s has %d places, and is in listen.txt: %v", f.Name, f.Places, told)
		}
	}
	for _, name := range []string{"03 The Ferry", "06 Ebb"} {
		if fileNamed(b, name).Places == 0 {
			t.Errorf("%s has no place to hear", name)
		}
	}
}

// areThePages looks whether the pages tell of every file, and of nothing outside.
func (n *narrator) areThePages(t *testing.T, b *book.Book) {
	for path, names := range map[string][]string{
		n.finished("index.html"):                        {"The Ferry", "Rope", "Ebb", "Opening credits", "03%20The%20Ferry.mp3", "Odile Marsh"},
		filepath.Join(n.root, "finished", "index.html"): {"A Ledger of Small Tides", "things to do"},
	} {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			if !bytes.Contains(text, []byte(name)) {
				t.Errorf("%s does not hold %q", path, name)
			}
		}
		if bytes.Contains(text, []byte(n.root)) {
			t.Errorf("%s tells where it lies", path)
		}
	}
}

// isMadeAnew deletes what lies over the chapters and has it made of the reports alone.
func (n *narrator) isMadeAnew(t *testing.T) {
	made := []string{"book.json", "book.csv", "listen.txt", "index.html"}
	n.stop()
	var was [][]byte
	for _, name := range made {
		text, err := os.ReadFile(n.finished(name))
		if err != nil {
			t.Fatal(err)
		}
		was = append(was, text)
		if err := os.Remove(n.finished(name)); err != nil {
			t.Fatal(err)
		}
	}
	n.run(exitAttention, "report", n.root)
	for i, name := range made {
		text, err := os.ReadFile(n.finished(name))
		if err != nil {
			t.Fatal(err)
		}
		if name == "book.csv" && !bytes.Equal(text, was[i]) {
			t.Errorf("%s made anew is another:\n%s\n%s", name, text, was[i])
		}
		if math.Abs(float64(len(text)-len(was[i]))) > 64 { // the moments in it
			t.Errorf("%s made anew has %d bytes, it had %d", name, len(text), len(was[i]))
		}
	}
}

// stop ends the daemon.
func (n *narrator) stop() {
	n.t.Helper()
	if err := n.daemon.cmd.Process.Signal(os.Interrupt); err != nil {
		n.t.Fatal(err)
	}
	if err := <-n.daemon.ended; err != nil {
		n.t.Errorf("the daemon did not stop cleanly: %v\n%s", err, n.daemon.log)
	}
}
