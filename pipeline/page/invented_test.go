package page

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"

	"lectern/pipeline/book"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// asOf is when the invented pages are made.
var asOf = time.Date(2026, time.November, 26, 14, 2, 0, 0, time.FixedZone("", 3600))

// titles of the invented book's chapters.
var titles = []string{
	"Low Water", "What the Harbor Master Kept", "The Ferry", "Salt in the Ink", "A Debt of Nine Herring", "The Lamp Room",
	"Neap", "Entries in Another Hand", "The Drowned Meadow", "Spring Tide", "The Auditor", "High Water",
}

// inventedCurves look like speech: phrases with pauses between them, each raised or
// lowered as a whole.
func inventedCurves(durationS float64, columns int, seed uint64) *report.Curves {
	rnd := rand.New(rand.NewPCG(seed, 7))
	c := &report.Curves{ColumnS: durationS / float64(columns)}
	left, loud, gain, held := 3, false, 8.0, 8.0
	slow := 0.0
	for i := range columns {
		if left--; left <= 0 {
			loud = !loud
			left = 2 + rnd.IntN(2)
			if loud {
				left = 5 + rnd.IntN(30)
				held = 6 + 3*rnd.NormFloat64()
			}
		}
		gain += (held - gain) * 0.5
		peak := 0.004
		if loud {
			peak = min(0.70, 0.18+0.5*rnd.Float64()*rnd.Float64()+0.15*math.Abs(math.Sin(float64(i)/9)))
		}
		if i < 2 || i > columns-4 {
			peak = 0.001
		}
		slow += (peak - slow) * 0.15
		c.High = append(c.High, byte(int8(127*peak)))
		c.Low = append(c.Low, byte(int8(-127*peak*(0.8+0.2*rnd.Float64()))))
		lufs := -13.5 + 14*math.Log10(max(slow, 0.002))
		c.Loudness = append(c.Loudness, byte(min(250, -lufs*4)))
		c.GainDB = append(c.GainDB, byte(int8(math.Round(held*4))))
	}
	return c
}

// inventedReport is the report of a chapter that keeps all limits.
func inventedReport(name string, durationS float64, seed uint64) *report.Report {
	rnd := rand.New(rand.NewPCG(seed, 3))
	f := func(v float64) *report.Figure { g := report.Figure(v); return &g }
	head, tail := report.Seconds(0.5), report.Seconds(2)
	rms, noise := -20.1+0.3*rnd.NormFloat64(), -63+0.8*rnd.NormFloat64()
	r := &report.Report{
		Schema: report.Schema, State: report.StateFinished, Book: "A Ledger of Small Tides", Chapter: name, Revision: 1,
		MadeAt: time.Date(2026, time.November, 24, 18, int(seed), 0, 0, time.UTC), JudgedBy: report.JudgedBy,
		Raws: []report.Raw{{
			Role: "chapter", Name: name + ".wav", ArchivedAs: name + ".r1.wav", Format: "WAV 24-bit 48 kHz mono",
			DurationS: report.Seconds(durationS + 9),
		}},
		Finished: report.Finished{
			Name: name + ".mp3", DurationS: report.Seconds(durationS), SHA256: fmt.Sprintf("%064x", seed),
			Measured: report.Measured{
				SamplePeakDBFS: -3.03, TruePeakDBTP: -3.01, RMSDBFS: meter.DB(rms), IntegratedLUFS: meter.DB(rms + 0.8),
				NoiseFloorDBFS: meter.DB(noise), RoomToneDBFS: meter.DB(noise + 0.7), HeadS: &head, TailS: &tail,
			},
		},
		Curves:  inventedCurves(durationS, 1500, seed),
		History: []string{"2026-11-24, revision 1: made"},
		Before:  &report.Before{FromS: 70, FinishedAtS: 61.4, DurationS: 10, GainDB: 9.4},
	}
	check := func(name string, least, most *report.Figure, unit string, v float64) {
		r.Checks = append(r.Checks, report.Check{Name: name, Limit: report.Limit{Min: least, Max: most, Unit: unit}, Measured: f(v), Pass: true})
	}
	check("sample_peak", nil, f(-3), "dBFS", -3.03)
	check("rms", f(-23), f(-18), "dBFS", rms)
	check("noise_floor", nil, f(-60), "dBFS", noise)
	check("room_tone", nil, f(-60), "dBFS", noise+0.7)
	check("head", f(0.45), f(1.05), "s", 0.5)
	check("tail", f(0.95), f(5.05), "s", 2)
	check("bitrate", f(192), f(192), "kbps", 192)
	check("sample_rate", f(44100), f(44100), "Hz", 44100)
	check("channels", f(1), f(1), "channels", 1)
	check("length", nil, f(115), "min", durationS/60)
	check("nothing_lost", nil, f(0), "places", 0)
	check("read_twice", nil, f(0), "places", 0)
	r.Judge()
	return r
}

// fileOf is a book's file as its report tells it.
func fileOf(r *report.Report, kind, title string, number, place int) book.File {
	f := book.File{
		Name: r.Chapter, Stem: r.Chapter, Kind: kind, Title: title, Place: place, State: book.Finished,
		Revision: r.Revision, MadeAt: &r.MadeAt, Verdict: r.Verdict, DurationS: &r.Finished.DurationS,
		SHA256: r.Finished.SHA256, Figures: &r.Finished.Measured,
	}
	if number > 0 {
		f.Number = &number
	}
	for _, found := range r.Findings() {
		if found.NeedsEar() {
			f.Places++
		}
	}
	return f
}

// joinTakes gives a chapter three takes and a pickup, with joins, retakes and findings.
func joinTakes(r *report.Report) {
	at := func(s float64) *report.Seconds { v := report.Seconds(s); return &v }
	d := float64(r.Finished.DurationS)
	raw := r.Raws[0]
	r.Raws = nil
	for i, role := range []string{"take", "take", "take", "pickup"} {
		w := raw
		w.Role, w.Number = role, i+1
		if role == "pickup" {
			w.Number = 1
		}
		w.Name = fmt.Sprintf("%s %s %d.wav", r.Chapter, role, w.Number)
		w.ArchivedAs = fmt.Sprintf("%s %s %d.r%d.wav", r.Chapter, role, w.Number, 1+i/3)
		r.Raws = append(r.Raws, w)
	}
	join := func(n, from, to int, s float64, says string) {
		r.Joins = append(r.Joins, report.Join{Number: n, Kind: "read_again", AtS: report.Seconds(s), FromRaw: from, ToRaw: to, Says: says})
	}
	join(1, 0, 1, 0.21*d, fmt.Sprintf("At %s take 2 takes over from take 1: it reads the last 6.4 seconds of it again, and they were left out.", report.Clock(0.21*d)))
	join(2, 1, 2, 0.56*d, fmt.Sprintf("At %s take 3 takes over from take 2: it reads the last 3.1 seconds of it again, and they were left out.", report.Clock(0.56*d)))
	join(3, 2, 3, 0.71*d, fmt.Sprintf("At %s pickup 1 was put in: it reads 8.0 seconds again.", report.Clock(0.71*d)))
	join(4, 3, 2, 0.71*d+8, fmt.Sprintf("At %s take 3 goes on behind pickup 1.", report.Clock(0.71*d+8)))
	r.Retakes = []report.Retake{{
		Number: 1, State: "asked", FinishedAtS: at(0.38 * d), FinishedAgainS: at(0.38*d + 4),
		Says: fmt.Sprintf("What you say at %s you seem to say again at %s. Listen there: if the first is a slip, have it cut with: lectern cut \"%s\" 1; if it is meant: lectern keep \"%s\" 1.", report.Clock(0.38*d), report.Clock(0.38*d+4), r.Chapter, r.Chapter),
	}}
	find := func(kind string, s float64, says string) {
		r.Finished.Findings = append(r.Finished.Findings, report.Finding{Kind: kind, AtS: report.Seconds(s), UntilS: report.Seconds(s), FinishedAtS: at(s), Says: says})
	}
	find("click", 0.235*d, report.SaysClick(report.PlaceOf(0, at(0.235*d)), -24))
	find("click", 0.24*d, report.SaysClick(report.PlaceOf(0, at(0.24*d)), -31))
	find("long_pause", 0.83*d, report.SaysLongPause(report.PlaceOf(0, at(0.83*d)), 4.2, 1.1))
	find("tone_laid_in", d-0.5, "There was too little clean room tone after the last word, so 0.5 seconds of it were made to sound like the quiet places of the same recording. Leave two seconds of quiet before the first word and after the last.")
	r.Raws[0].Findings = []report.Finding{{Kind: "hum", Says: report.SaysHum(50, -58, []float64{50, 150, 250})}}
	r.Checks[len(r.Checks)-1] = report.Check{
		Name: "read_twice", Limit: r.Checks[len(r.Checks)-1].Limit, Measured: figureOf(1),
		Advice: "One passage seems to be read twice: at " + report.Clock(0.38*d) + ". Listen to it; the list of places tells how to cut or keep it.",
	}
	r.Revision = 2
	r.History = append(r.History, "2026-11-25, revision 2: pickup 1 put in")
	r.Judge()
}

func figureOf(v float64) *report.Figure { f := report.Figure(v); return &f }

// inventedBook is the invented book with one chapter too noisy, one missing, one doubled,
// one far louder, one joined of takes, one that waits and one that was set aside.
func inventedBook() BookInput {
	b := &book.Book{
		Schema: book.Schema, Book: "A Ledger of Small Tides", Folder: "A Ledger of Small Tides", Title: "A Ledger of Small Tides", Author: "Odile Marsh", Narrator: "Tam Verrall",
		Language: "en", Year: 2026, MadeAt: asOf, Missing: []int{7}, Doubled: []int{4},
	}
	in := BookInput{Book: b, AsOf: asOf}
	add := func(r *report.Report, kind, title string, number int) {
		b.Files = append(b.Files, fileOf(r, kind, title, number, len(b.Files)+1))
		in.Reports = append(in.Reports, filed(r))
		if kind != book.Sample {
			b.FinishedS += r.Finished.DurationS
		}
	}
	add(inventedReport("00 Opening credits", 24, 40), book.Opening, "", 0)
	for i, title := range titles {
		n := i + 1
		name := fmt.Sprintf("%02d %s", n, title)
		r := inventedReport(name, 1100+float64(i*i*173%1400), uint64(n))
		m := &r.Finished.Measured
		switch n {
		case 3:
			joinTakes(r)
		case 5: // the room
			m.NoiseFloorDBFS, m.RoomToneDBFS = -54.6, -53.2
			for k, v := range map[int]float64{2: -54.6, 3: -53.2} {
				c := &r.Checks[k]
				c.Measured, c.Pass = figureOf(v), false
				c.Advice = fmt.Sprintf("Even at its quietest your room is about 6 dB too loud: it is at %.1f dB, and the limit is -60. Switch off the fan, or move the computer away from the microphone, come closer to the microphone, then read the chapter again.", v)
			}
			r.Judge()
		case 7:
			continue
		case 9: // far louder
			m.RMSDBFS, m.IntegratedLUFS = -18.2, -17.3
			r.Checks[1].Measured = figureOf(-18.2)
		case 11, 12:
			f := book.File{Name: name, Kind: book.Chapter, Title: title, Number: &n, State: book.Waiting, Says: "Being copied: 62 of 100 parts are there."}
			if n == 11 {
				f.State, f.Says = book.SetAside, "The file is cut off in the middle of its data. Copy it again from the recorder, then drop it again."
			}
			b.Files = append(b.Files, f)
			continue
		}
		add(r, book.Chapter, title, n)
		if n == 4 {
			add(inventedReport("04 Salt in the Ink new", 1312, 44), book.Chapter, "Salt in the Ink new", n)
		}
	}
	add(inventedReport("99 Closing credits", 19, 41), book.Closing, "", 0)
	add(inventedReport("Sample", 193, 42), book.Sample, "", 0)
	verdict, complete := report.Fail, false
	b.Verdict, b.Complete, b.FinishedHours = &verdict, &complete, report.Figure(b.FinishedS/3600)
	b.FinishedClock = report.Clock(float64(b.FinishedS))
	b.Outliers = []book.Outlier{
		{Name: "09 The Drowned Meadow", Figure: "rms_dbfs", Value: -18.2, Middle: -20.1, Says: "09 The Drowned Meadow is 1.9 dB louder than the others: its level is -18.2 dB, theirs about -20.1."},
		{Name: "05 A Debt of Nine Herring", Figure: "noise_floor_dbfs", Value: -54.6, Middle: -63, Says: "05 A Debt of Nine Herring has a noise floor 8 dB louder than the others: -54.6 dB, theirs about -63."},
	}
	b.Spread = []book.Spread{
		{Figure: "rms_dbfs", Unit: "dBFS", Lowest: -20.6, Middle: -20.1, Highest: -18.2},
		{Figure: "integrated_lufs", Unit: "LUFS", Lowest: -19.8, Middle: -19.3, Highest: -17.3},
		{Figure: "noise_floor_dbfs", Unit: "dBFS", Lowest: -64.4, Middle: -63, Highest: -54.6},
	}
	b.ToDo = []book.ToDo{
		{Kind: "missing", Blocks: true, Says: "Chapter 7 is missing. Record it and drop it into the book's folder."},
		{Kind: "set_aside", Name: "11 The Auditor", Says: "11 The Auditor was set aside: the file is cut off in the middle of its data."},
		{Kind: "failed", Name: "05 A Debt of Nine Herring", Says: "05 A Debt of Nine Herring misses the limits for noise floor and room tone."},
		{Kind: "doubled", Name: "04 Salt in the Ink new", Says: "Chapter 4 is there twice: 04 Salt in the Ink, 04 Salt in the Ink new. Withdraw the one that is not meant."},
		{Kind: "listen", Name: "03 The Ferry", Says: "Listen to 4 places in 03 The Ferry."},
	}
	b.HandedOver = &book.HandedOver{
		At: time.Date(2026, time.November, 20, 8, 30, 0, 0, time.UTC), Files: 9,
		Changed: []book.Changed{{Name: "03 The Ferry", Was: 1, Revision: 2, Says: "03 (revision 2)"}, {Name: "10 Spring Tide", Revision: 1, Says: "10 (new)"}},
	}
	return in
}

// inventedIndex is the page over the invented book, a finished one and what else there is.
func inventedIndex() IndexInput {
	pass, complete := report.Pass, true
	other := &book.Book{
		Book: "Lanterns, Mostly", Folder: "Lanterns, Mostly", Title: "Lanterns, Mostly", Author: "Odile Marsh", Verdict: &pass, Complete: &complete,
		FinishedS: 15120, FinishedClock: "4:12:00", Files: []book.File{{Name: "01", State: book.Finished}},
	}
	single := inventedReport("Audition for the Lighthouse", 94, 50)
	single.Book = ""
	return IndexInput{
		Books:   []*book.Book{inventedBook().Book, other},
		Singles: []book.Filed{filed(single)},
		Waiting: []Unfinished{
			{Book: "A Ledger of Small Tides", Name: "12 High Water.wav", Says: "Being copied: 62 of 100 parts are there."},
			{Name: "Audition two.wav", Says: "Waits until nothing changes any more."},
		},
		SetAside: []Unfinished{{Book: "A Ledger of Small Tides", Name: "11 The Auditor.wav", Says: "The file is cut off in the middle of its data. Copy it again from the recorder, then drop it again."}},
		Rooms: []*report.RoomTestReport{{
			Book: "A Ledger of Small Tides", Chapter: "room test", MadeAt: asOf,
			RoomTest: report.RoomTest{Passes: true, Says: []string{"Your room is quiet enough: its room tone would be about -62.1 dB in the finished file, and the limit is -60."}},
		}},
		AsOf: asOf,
	}
}

// hostile names try to break out of where they stand, out of the line, and out of the page.
func hostile() []string {
	long := ""
	for len(long) < 200 {
		long += "Wavelength"
	}
	return []string{
		`</script><script>window.broken=1</script>`, `"><img src=x onerror="window.broken=2">`, `' onfocus='window.broken=3' x='`,
		"one\ntwo\r\nthree\tfour", "\u202egnp.txt \u2067abc\u2066 \u200fאבג", long, "100% #1? &amp; a+b;c=d", "🌊🚢 潮の帳簿 قائمة المد",
		`javascript:window.broken=4`, `{{.Title}}${window.broken=5}`, `</style><style>*{display:none}`, `]]><!--`,
	}
}

// hostileBook is a book each word of which is hostile.
func hostileBook() BookInput {
	names := hostile()
	in := BookInput{AsOf: asOf, Book: &book.Book{
		Book: names[0], Folder: names[0], Title: names[1], Author: names[2], Narrator: names[4], Publisher: names[5], Language: names[2], Version: names[3],
	}}
	b := in.Book
	for i, name := range names {
		r := inventedReport(name, 300, uint64(i))
		if i%4 == 0 { // enough of them; a page of many places is slow to look through
			joinTakes(r)
		}
		r.History = append(r.History, name)
		for k := range r.Checks {
			r.Checks[k].Pass, r.Checks[k].Advice = false, name
		}
		for k := range r.Joins {
			r.Joins[k].Says = name
		}
		r.Raws[0].Format = name
		f := fileOf(r, book.Chapter, name, i+1, i+1)
		b.Files = append(b.Files, f)
		in.Reports = append(in.Reports, filed(r))
		b.ToDo = append(b.ToDo, book.ToDo{Name: name, Says: name})
		b.Outliers = append(b.Outliers, book.Outlier{Name: name, Figure: "rms_dbfs", Says: name})
		b.Spread = append(b.Spread, book.Spread{Figure: name, Unit: name})
	}
	b.HandedOver = &book.HandedOver{At: asOf, Changed: []book.Changed{{Name: names[0], Says: names[0]}, {Name: names[5], Says: names[5]}}}
	b.Files = append(b.Files, book.File{Name: names[5], Kind: names[0], Title: names[1], State: names[2], Says: names[5]})
	return in
}

// hostileIndex is the page over hostile books.
func hostileIndex() IndexInput {
	in := IndexInput{AsOf: asOf, Books: []*book.Book{hostileBook().Book}}
	for i, name := range hostile() {
		in.Singles = append(in.Singles, filed(inventedReport(name, 60, uint64(i))))
		in.Waiting = append(in.Waiting, Unfinished{name, name, name})
		in.SetAside = append(in.SetAside, Unfinished{name, name, name})
		in.Books = append(in.Books, &book.Book{Book: name, Folder: name, Author: name, ToDo: []book.ToDo{{Says: name}}})
		in.Rooms = append(in.Rooms, &report.RoomTestReport{Book: name, Chapter: name, RoomTest: report.RoomTest{Says: []string{name}}})
	}
	return in
}

// filed is a report under the name of its MP3.
func filed(r *report.Report) book.Filed {
	return book.Filed{Stem: strings.TrimSuffix(r.Finished.Name, ".mp3"), Report: r}
}
