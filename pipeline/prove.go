package pipeline

import (
	"context"
	"crypto/sha256"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"

	"lectern/encode"
	"lectern/pipeline/meter"
	"lectern/pipeline/speech"
)

const (
	// mostTries is how often a file is encoded before it is taken as it is and
	// judged; each try comes closer, and the second is nearly always good.
	mostTries = 6
	// peakHairDB and peakDepthDB are how far under the limit the decoded peak may
	// lie: at least a hair, so that no decoder reads over it, at most so much that
	// the file is as loud as its limit allows.
	peakHairDB  = 0.004
	peakDepthDB = 0.08
	// levelHairDB is how far the level may be off before the file is made again.
	levelHairDB = 0.10
)

// encode writes the MP3, proves it, and makes it again with a corrected plan
// until the decoded file, not what went in, meets the aims.
func (m *Master) encode(ctx context.Context, plan Plan, progress *progress) error {
	m.MP3 = filepath.Join(m.job.Dir, "chapter.mp3")
	for m.tries = 1; ; m.tries++ {
		if err := m.try(ctx, plan, progress); err != nil {
			return err
		}
		m.plan = plan
		if m.tries == mostTries || !m.correct(&plan) {
			return nil
		}
		if err := os.Remove(m.MP3); err != nil {
			return fmt.Errorf("remove a try: %w", err)
		}
	}
}

// try encodes and proves once, and measures what a decoder makes of it.
func (m *Master) try(ctx context.Context, plan Plan, progress *progress) (err error) {
	opt := encode.Options{
		BitrateKbps: m.job.Settings.Delivery.BitrateKbps,
		DitherSeed:  seedOf(strings.Join(m.RawSHA256(), "\n"), "dither"),
		Tags:        m.tags(),
		Workers:     m.job.Workers,
	}
	total := m.timeline.frames() * frameSamples
	fed := newRenderer(plan, m.raws.recs)
	m.Written, err = encode.Write(ctx, m.MP3, counted(fed.read, total, progress.step(shareRead, shareEncode)), opt)
	if err != nil {
		return fmt.Errorf("encode: %w", err)
	}
	m.limitDB = fed.limit.reductionDB()
	defer func() {
		if err != nil {
			os.Remove(m.MP3)
		}
	}()
	heard := newHearing(sampleRateHz, 1)
	heard.expect(int64(total))
	again := newRenderer(plan, m.raws.recs)
	drawn, words := newColumns(m.timeline.frames()), newPassageLoudness(m.passage)
	err = heard.hear(m.job.Workers, func(add use) error {
		m.proof, err = encode.Prove(ctx, m.MP3, m.Written, opt,
			counted(again.read, total, progress.step(shareRead+shareEncode, shareProve)), inMono(add))
		return err
	}, hearing(drawn.add), hearing(words.add))
	if err != nil {
		return fmt.Errorf("prove: %w", err)
	}
	var found *speech.Map
	m.measured, found = heard.result(m.timeline.laidIn)
	m.faults = heard.faults(found, m.job.Settings.Delivery)
	m.sampleFaults = heard.sampleFaults()
	fillColors(&m.measured, m.faults)
	m.curves = drawn.tell(heard.levels.loudness, plan.frameGainDB(), m.timeline.words())
	m.passageLUFS = words.meter.IntegratedLUFS()
	m.bodyRMS = meter.FromPower(meanPower(heard.plain.power, m.timeline.body()))
	return nil
}

// correct compares what was decoded with the aims and changes the plan by the
// difference. It returns false if nothing is off by more than a hair.
func (m *Master) correct(plan *Plan) bool {
	level := m.correctLevel(plan)
	return m.correctRoom(plan) || level
}

// correctRoom eases the pauses a little further if the finished file, against
// the prediction, misses the noise limits and there is room to ease.
func (m *Master) correctRoom(plan *Plan) bool {
	over := max(float64(m.measured.NoiseFloorDBFS), float64(m.measured.RoomToneDBFS)) - m.job.Settings.Delivery.NoiseMaxDBFS
	left := m.job.Settings.Level.EaseMaxDB - m.loudness.easeDB
	if over <= 0 || left <= 0 {
		return false
	}
	m.loudness.easeDB += min(left, over+spareDB)
	plan.GainDB = m.loudness.apply(m.leveling)
	return true
}

// off tells how far the decoded peak lies over its limit and the decoded level over
// its aim: sample peak and RMS between head and tail, or true peak and loudness.
func (m *Master) off() (over, levelOff float64) {
	d := m.job.Settings.Delivery
	if d.ByLoudness() {
		if !m.measured.IntegratedLUFS.IsSilent() {
			levelOff = float64(m.measured.IntegratedLUFS) - d.LoudnessAimLUFS
		}
		return float64(m.measured.TruePeakDBTP) - d.TruePeakMaxDBTP, levelOff
	}
	return float64(m.measured.SamplePeakDBFS) - d.PeakMaxDBFS, float64(m.bodyRMS) - d.RMSAimDBFS
}

// correctLevel moves the limiter by what the decoded peak is off, and the overall
// gain by what the level is off.
func (m *Master) correctLevel(plan *Plan) bool {
	over, levelOff := m.off()
	var lowPeak float64 // how far the peak was meant to stay under the limit
	for _, g := range m.loudness.gaveWay {
		switch g.GaveWay {
		case "rms", "loudness":
			levelOff -= float64(g.DB)
		case "peak":
			lowPeak = -float64(g.DB)
		}
	}
	limiting := m.limitDB > 0.02
	peakOff := over > -peakHairDB || limiting && over < -peakDepthDB
	if !peakOff && (math.Abs(levelOff) <= levelHairDB || lowPeak > 0) {
		return false
	}
	middle := (peakHairDB + peakDepthDB) / 2
	if limiting {
		plan.CeilingDBFS -= over + middle
		plan.OverallDB -= levelOff / m.loudness.slope
		return true
	}
	if over > -peakHairDB {
		plan.CeilingDBFS -= over + middle
	}
	if lowPeak == 0 {
		plan.OverallDB -= levelOff
	}
	return true
}

// seedOf makes a seed from the raws' sums, so that the same raws give the same
// noise, and one purpose another than the next.
func seedOf(sums, purpose string) [32]byte {
	return sha256.Sum256([]byte(purpose + "\n" + sums))
}
