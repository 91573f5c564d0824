package watcher

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"go.uber.org/zap"
)

// The hands are told what to cut, the first time and every time after.
func TestSampleReachesTheHands(t *testing.T) {
	ws := withTwoRevisions(t, asked{})
	var got Job
	hands := testHands()
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		got = job
		return testMake(ctx, job)
	}
	recipe := func(name string) string { return filepath.Join(ws.Archive, "Tides", name+".recipe.json") }
	do := func(a asked) {
		f, err := filedFor(ws, a)
		check(t, err)
		_, err = Do(context.Background(), ws, Settings{FreeMarginBytes: 1}, hands, zap.NewNop(), f, a.ask)
		check(t, err)
	}
	want := Sample{Of: "03 Loud", OfRevision: 2, FromS: 1, ToS: 4}
	do(asked{about: "Sample", ask: cut(1, 4)})
	if got.Sample == nil || *got.Sample != want || got.Kept.Recipe != recipe("03 Loud.r2") || got.Kept.Report != loudIn(ws, ".json") ||
		got.Chapter != "Sample" || len(got.Raws) != 1 || got.Raws[0].ArchivedAs != "03 Loud.r2.wav" {
		t.Errorf("the hands were given %+v, %+v, %+v", got, got.Sample, got.Kept)
	}
	got = Job{}
	do(asked{about: "Sample", ask: Ask{Kind: Remake}})
	if got.Sample == nil || *got.Sample != want || got.Kept.Recipe != recipe("Sample.r1") {
		t.Errorf("made again, the hands were given %+v, %+v", got.Sample, got.Kept)
	}
	do(asked{ask: Ask{Kind: Remake}})
	if got.Sample != nil {
		t.Errorf("of a whole chapter the hands were given %+v", got.Sample)
	}
}

// A recording of her own by the name of a sample takes its place, and has nothing of it.
func TestRecordingByTheNameOfASample(t *testing.T) {
	ws := withTwoRevisions(t, asked{})
	withSample(t, ws)
	drop(t, ws, "Tides/Sample take 2.wav", "ine")
	drop(t, ws, "Tides/Sample take 1.wav", "m")
	check(t, drive(ws, &dyingDisk{}))
	a := asked{want: map[string]string{
		"Sample.mp3": "mine", "superseded/Sample.r1.mp3": "lou", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud",
	}}
	check(t, checkAsked(ws, a))
	check(t, invariant(ws, nil, true))
	if got := audited(t, ws); !got.Clean {
		t.Errorf("audit: %+v", got.Exceptions)
	}
	if _, err := doAsk(ws, &dyingDisk{}, asked{about: "Sample", ask: cut(0, 3)}); err == nil {
		t.Error("a sample took the place of her own")
	}
}

// The chapter a sample was cut from may get new recordings: the sample stays what it is.
func TestRecordingOfWhatASampleWasCutFrom(t *testing.T) {
	ws := withTwoRevisions(t, asked{})
	withSample(t, ws)
	drop(t, ws, "Tides/03 Loud.wav", "LOUDEST")
	check(t, drive(ws, &dyingDisk{}))
	check(t, os.Remove(filepath.Join(ws.Finished, "Tides", "Sample.mp3")))
	_, err := doAsk(ws, &dyingDisk{}, asked{about: "Sample", ask: Ask{Kind: Remake}})
	check(t, err)
	if got := content(t, filepath.Join(ws.Finished, "Tides", "Sample.mp3")); got != "lou" {
		t.Errorf("the sample made again is %q", got)
	}
	_, err = doAsk(ws, &dyingDisk{}, asked{about: "Sample", ask: cut(0, 3)})
	check(t, err)
	if got := content(t, filepath.Join(ws.Finished, "Tides", "Sample.mp3")); got != "LOU" {
		t.Errorf("the sample cut anew is %q", got)
	}
	check(t, invariant(ws, nil, true))
}
