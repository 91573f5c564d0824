package main

import (
	"strconv"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"lectern/pipeline"
	"lectern/pipeline/report"
	"lectern/watcher"
)

// metrics count what happens and tell how things stand, in the Prometheus format.
type metrics struct {
	registry *prometheus.Registry
	s        *service

	mastered, checksFailed, setAside, audioS, makingS *prometheus.CounterVec

	guard  sync.Mutex
	factor map[string]float64 // how many times real time the last chapter took, by workspace
}

// What is told of each workspace at the moment it is asked for.
var (
	upDesc         = gaugeDesc("workspace_up", "1 if the workspace is watched, 0 if it cannot be.")
	waitingDesc    = gaugeDesc("takes_waiting", "Recordings that wait, in the inbox or half-way.")
	oldestDesc     = gaugeDesc("oldest_waiting_seconds", "How long the recording that waits longest has been known to this daemon; 0 if none waits.")
	makingDesc     = gaugeDesc("chapters_making", "Chapters that are being made.")
	troublesDesc   = gaugeDesc("troubles", "Things the daemon has to say of itself just now, as lectern status tells them.")
	lyingAsideDesc = gaugeDesc("takes_lying_set_aside", "Recordings that were set aside and still lie there.")
	diskFreeDesc   = gaugeDesc("disk_free_bytes", "What may still be written on the disk of a folder.", "folder")
	lookedDesc     = gaugeDesc("last_look_timestamp_seconds", "When the daemon last went round.")
	factorDesc     = gaugeDesc("real_time_factor", "Seconds of recording mastered in one second, of the last chapter.")
	scanErrorsDesc = prometheus.NewDesc("lectern_scan_errors_total", "Folders that could not be looked into, and notifications that were lost.", []string{"workspace"}, nil)
)

func gaugeDesc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("lectern_"+name, help, append([]string{"workspace"}, labels...), nil)
}

func newMetrics(s *service) *metrics {
	m := &metrics{registry: prometheus.NewRegistry(), s: s, factor: map[string]float64{}}
	counter := func(name, help string, labels ...string) *prometheus.CounterVec {
		c := prometheus.NewCounterVec(prometheus.CounterOpts{Name: "lectern_" + name, Help: help}, append([]string{"workspace"}, labels...))
		m.registry.MustRegister(c)
		return c
	}
	m.mastered = counter("chapters_mastered_total", "Chapters made of recordings, by their verdict.", "verdict")
	m.checksFailed = counter("checks_failed_total", "Limits that chapters missed, by the name of the check.", "check")
	m.setAside = counter("takes_set_aside_total", "Recordings set aside.")
	m.audioS = counter("audio_seconds_total", "Seconds of recordings that chapters were made of.")
	m.makingS = counter("making_seconds_total", "Seconds that making them took.")
	info := prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "lectern_build_info", Help: "1; its labels tell what runs.",
		ConstLabels: prometheus.Labels{"version": versionText(), "chain": strconv.Itoa(pipeline.Chain)},
	})
	info.Set(1)
	m.registry.MustRegister(m, info, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// count takes note of what happened in a workspace. It may be called from anywhere.
func (m *metrics) count(workspace string, e watcher.Event) {
	switch {
	case e.Kind == watcher.SetAside:
		m.setAside.WithLabelValues(workspace).Add(float64(max(1, len(e.Raws))))
	case e.Kind == watcher.Finished && e.Ask == "" && e.Verdict != "":
		m.mastered.WithLabelValues(workspace, e.Verdict).Inc()
		for _, check := range e.Missed {
			m.checksFailed.WithLabelValues(workspace, check).Inc()
		}
		m.audioS.WithLabelValues(workspace).Add(e.RawsS)
		m.makingS.WithLabelValues(workspace).Add(e.Took.Seconds())
		if e.Took > 0 {
			m.guard.Lock()
			m.factor[workspace] = e.RawsS / e.Took.Seconds()
			m.guard.Unlock()
		}
	}
}

// begin has the counts of a workspace begin at 0, so that the first of anything is seen as
// a change.
func (m *metrics) begin(workspace string) {
	for _, verdict := range []string{report.Pass, report.Listen, report.Fail} {
		m.mastered.WithLabelValues(workspace, verdict)
	}
	for _, c := range []*prometheus.CounterVec{m.setAside, m.audioS, m.makingS} {
		c.WithLabelValues(workspace)
	}
}

// forget drops what was counted of a workspace that is no longer watched.
func (m *metrics) forget(workspace string) {
	for _, c := range []*prometheus.CounterVec{m.mastered, m.checksFailed, m.setAside, m.audioS, m.makingS} {
		c.DeletePartialMatch(prometheus.Labels{"workspace": workspace})
	}
	m.guard.Lock()
	defer m.guard.Unlock()
	delete(m.factor, workspace)
}

// Describe implements prometheus.Collector.
func (m *metrics) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{upDesc, waitingDesc, oldestDesc, makingDesc, troublesDesc, lyingAsideDesc, diskFreeDesc, lookedDesc, factorDesc, scanErrorsDesc} {
		out <- d
	}
}

// Collect implements prometheus.Collector.
func (m *metrics) Collect(out chan<- prometheus.Metric) {
	now := time.Now()
	for _, w := range m.s.all() {
		m.collectOne(w, now, func(d *prometheus.Desc, value float64, labels ...string) {
			kind := prometheus.GaugeValue
			if d == scanErrorsDesc {
				kind = prometheus.CounterValue
			}
			out <- prometheus.MustNewConstMetric(d, kind, value, append([]string{w.name}, labels...)...)
		})
	}
}

func (m *metrics) collectOne(w *served, now time.Time, tell func(d *prometheus.Desc, value float64, labels ...string)) {
	signs, disk := w.vitals.Now(), w.diskNow()
	up, oldestS := 0.0, 0.0
	if o, _ := w.now(); o != nil {
		up = 1
	}
	if !signs.OldestAt.IsZero() {
		oldestS = now.Sub(signs.OldestAt).Seconds()
	}
	tell(upDesc, up)
	tell(waitingDesc, float64(signs.Waiting))
	tell(oldestDesc, oldestS)
	tell(makingDesc, float64(len(signs.Making)))
	tell(troublesDesc, float64(len(signs.Troubles)))
	tell(scanErrorsDesc, float64(signs.ScanErrors))
	if !signs.LookedAt.IsZero() {
		tell(lookedDesc, float64(signs.LookedAt.UnixMilli())/1000)
	}
	if disk.free != nil {
		tell(lyingAsideDesc, float64(disk.setAside))
	}
	for folder, free := range disk.free {
		tell(diskFreeDesc, float64(free), folder)
	}
	m.guard.Lock()
	factor, known := m.factor[w.name]
	m.guard.Unlock()
	if known {
		tell(factorDesc, factor)
	}
}
