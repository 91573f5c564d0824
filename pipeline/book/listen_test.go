package book

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lectern/pipeline/report"
	"lectern/pipeline/takes"
)

func reportsOf(in Input) []*report.Report {
	var out []*report.Report
	for _, f := range in.Reports {
		out = append(out, f.Report)
	}
	return out
}

func listenText(t *testing.T, in Input) string {
	t.Helper()
	var out strings.Builder
	if err := WriteListen(&out, judge(t, in), reportsOf(in)); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func toneLaidIn(at report.Seconds) report.Finding {
	return report.Finding{Kind: "tone_laid_in", AtS: at, UntilS: at + 0.5, FinishedAtS: &at, Says: report.SaysToneLaidIn(0.5, "after the last word", true)}
}

func asked(r *report.Report) {
	q := report.Retake{Number: 1, State: takes.Asked, FromS: 62, ToS: 64, AgainS: 66, AgainToS: 68, FinishedAtS: ptr(report.Seconds(60)), FinishedAgainS: ptr(report.Seconds(64))}
	q.Says = report.SaysRetake(q, r.Chapter)
	r.Retakes = append(r.Retakes, q)
}

func TestWriteListen(t *testing.T) {
	in := whole(3)
	*in.at(t, "01 Tide") = made("01 Tide", joined(377.5), found(toneLaidIn(599.5), click(30.2)), foundRaw(click(30.25)))
	*in.at(t, "03 Tide") = made("03 Tide", asked)
	want := `A Ledger of Small Tides: where to listen
As of 26 November 2026, 14:02 UTC.

4 places, about 1 minute, instead of 33:27 minutes. Times are those in the
finished files; begin to play a few seconds earlier.

01 Tide (revision 1, 10:00)
    0:30  At 0:30 there is a click in the pause, as of a mouse or the lips
          (its peak is about -24 dB in the finished file). Listen to it; if it
          disturbs, keep your hand off the mouse, take a sip of water, and
          read that place again.
    6:18  At 6:18 take 2 takes over from take 1: it reads the end of it again,
          so 4.2 seconds of the earlier reading are left out. Listen whether
          the two sound alike.
   10:00  There was too little clean room tone after the last word (a breath,
          a noise or the edge of the recording was too close), so 0.5 seconds
          of it were made to sound like the quiet places of the same
          recording. Leave two seconds of quiet before the first word and
          after the last. Listen whether it sounds like the pauses of the
          reading.

03 Tide (revision 1, 10:00)
    1:00  What you say at 1:00 you seem to say again at 1:04. Listen there: if
          the first is a slip, have it cut with: lectern cut "03 Tide" 1; if
          it is meant: lectern keep "03 Tide" 1.
`
	if d := cmp.Diff(want, listenText(t, in)); d != "" {
		t.Errorf("listen.txt (-want +got):\n%s", d)
	}
	places := map[string]int{"01 Tide": 3, "03 Tide": 1}
	for _, f := range judge(t, in).Files {
		if f.Places != places[f.Name] {
			t.Errorf("%s has %d places, want %d", f.Name, f.Places, places[f.Name])
		}
	}
}

func TestWriteListenNothing(t *testing.T) {
	if got := listenText(t, whole(2)); !strings.Contains(got, "There is no place to hear: nothing was joined") {
		t.Errorf("says %s", got)
	}
	if got := listenText(t, Input{Name: ledger, Now: now}); !strings.Contains(got, "Nothing is finished yet") {
		t.Errorf("says %s", got)
	}
	if got := listenText(t, whole(2)); !strings.HasPrefix(got, "A Ledger of Small Tides: where to listen\nAs of") {
		t.Errorf("begins %s", got)
	}
	broken := errors.New("the disk is full")
	if err := WriteListen(failing{broken}, judge(t, whole(1)), nil); !errors.Is(err, broken) {
		t.Errorf("a full disk gives %v", err)
	}
}

// failing is a disk that takes nothing.
type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

func TestPlaces(t *testing.T) {
	at := func(kind string, s report.Seconds, says string) report.Finding {
		return report.Finding{Kind: kind, FinishedAtS: &s, AtS: s, UntilS: s, Says: says}
	}
	ofRaw := func(kind string) report.Finding { return report.Finding{Kind: kind, UntilS: 604, Says: kind + "."} }
	type place struct {
		At   report.Seconds
		Says string
	}
	join := "At 6:18 take 2 takes over from take 1: it reads the end of it again, so 4.2 seconds of the earlier reading are left out. Listen whether the two sound alike."
	tests := []struct {
		name    string
		changes []func(*report.Report)
		want    []place
	}{
		{"nothing", nil, nil},
		{"found twice is one", []func(*report.Report){found(at("click", 30, "a.")), foundRaw(at("click", 30.9, "b."))}, []place{{30, "a."}}},
		{"a second apart are two", []func(*report.Report){found(at("click", 30, "a."), at("click", 31, "b."))}, []place{{30, "a."}, {31, "b."}}},
		{"two kinds at one place", []func(*report.Report){found(at("clipped", 30.5, "b."), at("click", 30, "a."))}, []place{{30, "a. b."}}},
		{"a join that stands out is one place", []func(*report.Report){joined(377.5), found(at("join_stands_out", 377.5, "Unlike."))}, []place{{377.5, join + " Unlike."}}},
		{"a join told as a finding too", []func(*report.Report){joined(377.5), found(at("joined", 377.5, join))}, []place{{377.5, join}}},
		{"two joins at one place", []func(*report.Report){joined(377.5), func(r *report.Report) {
			r.Joins = append(r.Joins, report.Join{Number: 2, AtS: 378, Says: "Goes on."})
		}}, []place{{377.5, join + " Goes on."}}},
		{"cut away", []func(*report.Report){foundRaw(ofRaw("click"))}, nil},
		{"in a raw that is not heard", []func(*report.Report){foundRaw(at("click", 30, "a.")), func(r *report.Report) { r.Raws[0].Unused = true }}, nil},
		{"runs through all of it", []func(*report.Report){found(at("hum", 0, "a.")), foundRaw(at("speech_soft", 0, "b."))}, nil},
		{"cut short: where it ends", []func(*report.Report){joined(377.5), foundRaw(ofRaw("unfinished"))}, []place{{377.5, join + " unfinished."}}},
		{"of a whole raw: where it begins", []func(*report.Report){foundRaw(ofRaw("unlike_channels"))}, []place{{0, "unlike_channels."}}},
		{"a whole raw that is not heard", []func(*report.Report){foundRaw(ofRaw("truncated")), func(r *report.Report) { r.Recipe.Edits = []report.Edit{{ToS: 600}} }}, nil},
		{"retakes", []func(*report.Report){func(r *report.Report) {
			s := func(v report.Seconds) *report.Seconds { return &v }
			r.Retakes = []report.Retake{
				{Number: 1, State: takes.Kept, FinishedAtS: s(10), FinishedAgainS: s(14), Says: "kept."},
				{Number: 2, State: takes.Cut, FinishedAgainS: s(20), Says: "cut."},
				{Number: 3, State: takes.Marked, FinishedAgainS: s(40), Says: "marked."},
				{Number: 4, State: takes.Asked, Says: "later take."},
				{Number: 5, State: takes.Asked, FinishedAtS: s(60), FinishedAgainS: s(64), Says: "asked."},
			}
		}}, []place{{20, "cut."}, {40, "marked."}, {60, "asked."}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []place
			for _, p := range Places(made("03 Tide", tt.changes...).Report) {
				got = append(got, place{p.AtS, strings.Join(p.Says, " ")})
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("places (-want +got):\n%s", d)
			}
		})
	}
}

// What lies under two places is heard once, and nothing beyond the ends of the file.
func TestListeningS(t *testing.T) {
	place := func(at, until report.Seconds) Place { return Place{AtS: at, UntilS: until} }
	for _, tt := range []struct {
		name   string
		places []Place
		want   float64
	}{
		{"none", nil, 0},
		{"one", []Place{place(100, 100)}, 15},
		{"at the start", []Place{place(0, 0)}, 10},
		{"at the end", []Place{place(599, 599)}, 6},
		{"long", []Place{place(100, 108)}, 23},
		{"far apart", []Place{place(100, 100), place(115, 115)}, 30},
		{"over each other", []Place{place(100, 100), place(105, 105)}, 20},
		{"one within the other", []Place{place(100, 130), place(105, 105)}, 45},
	} {
		if got := listeningS(tt.places, 600); got != tt.want {
			t.Errorf("%s: %v s, want %v", tt.name, got, tt.want)
		}
	}
}

func TestSaysToHear(t *testing.T) {
	got := saysToHear(12, 178, 22332)
	if want := "12 places, about 3 minutes, instead of 6:12:12 hours. Times"; !strings.HasPrefix(got, want) {
		t.Errorf("says %s, want %s", got, want)
	}
	if got := saysToHear(2, 58, 60); !strings.HasPrefix(got, "2 places, about 1 minute. Times") {
		t.Errorf("says %s", got)
	}
	if got := saysToHear(1, 15, 600); !strings.HasPrefix(got, "1 place, about 1 minute, instead of 10:00 minutes.") {
		t.Errorf("says %s", got)
	}
}
