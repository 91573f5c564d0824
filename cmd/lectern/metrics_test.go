package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"

	"lectern/config"
	"lectern/watcher"
)

// TestMetricsAreThoseTold holds what the daemon tells against the list that the alerts and
// the dashboard are made from: names, kinds and labels.
func TestMetricsAreThoseTold(t *testing.T) {
	root := t.TempDir()
	if _, err := makeWorkspace(filepath.Join(root, "books")); err != nil {
		t.Fatal(err)
	}
	s := newService(config.Service{Workspaces: []string{filepath.Join(root, "books")}}, "", nil, false, zap.NewNop())
	w := &served{name: "books", disk: diskSigns{free: map[string]int64{"inbox": 1, "finished": 2, "archive": 3}}}
	s.served = []*served{w}
	s.metrics.begin("books")
	s.metrics.count("books", watcher.Event{Kind: watcher.Finished, Verdict: "fail", Missed: []string{"noise_floor"}, RawsS: 60, Took: 2 * time.Second})
	s.metrics.count("books", watcher.Event{Kind: watcher.Finished, Ask: watcher.Retag, Verdict: "pass", RawsS: 60, Took: time.Second})
	s.metrics.count("books", watcher.Event{Kind: watcher.Progress, RawsS: 60})

	families, err := s.metrics.registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, f := range families {
		var labels []string
		for _, l := range f.Metric[0].Label {
			labels = append(labels, l.GetName())
		}
		slices.Sort(labels)
		if strings.HasPrefix(f.GetName(), "lectern_") {
			got = append(got, f.GetName()+" "+strings.ToLower(f.GetType().String())+" "+strings.Join(labels, ","))
		}
		switch f.GetName() {
		case "lectern_audio_seconds_total":
			if n := f.Metric[0].Counter.GetValue(); n != 60 {
				t.Errorf("%v seconds of recordings are counted, want 60: what is not made of recordings counts for nothing", n)
			}
		case "lectern_real_time_factor":
			if n := f.Metric[0].Gauge.GetValue(); n != 30 {
				t.Errorf("a minute made in 2 s is %v times real time, want 30", n)
			}
		}
	}
	text, err := os.ReadFile(filepath.Join("..", "..", "deploy", "prometheus", "metrics.txt"))
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for line := range strings.Lines(string(text)) {
		if fields := strings.Fields(line); len(fields) == 3 && strings.HasPrefix(fields[0], "lectern_") {
			labels := strings.Split(fields[2], ",")
			slices.Sort(labels)
			want = append(want, fields[0]+" "+fields[1]+" "+strings.Join(labels, ","))
		}
	}
	// Told only of a daemon that runs.
	want = slices.DeleteFunc(want, func(line string) bool { return strings.HasPrefix(line, "lectern_last_look") })
	slices.Sort(want)
	slices.Sort(got)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}
