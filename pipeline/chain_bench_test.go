package pipeline

import (
	"context"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"

	"lectern/encode"
	"lectern/pipeline/findings"
	"lectern/pipeline/internal/made"
	"lectern/pipeline/speech"
)

// chainSteps are the steps that take most of the time, each over the whole of a made reading
// of so many seconds.
func chainSteps(b *testing.B) (steps []chainStep, seconds float64) {
	ctx := context.Background()
	x := longFerry(20).Float32()
	job := jobOf(b, made.WAV16(made.RateHz, x))
	raws, err := readAll(ctx, job, shares(nil))
	orFail(b, err)
	b.Cleanup(raws.discard)
	again := job
	again.Dir = b.TempDir()
	plan, opt := benchPlan(b, job, raws), encode.Options{BitrateKbps: job.Settings.Delivery.BitrateKbps}
	ready, mp3 := filepath.Join(job.Dir, "ready.mp3"), filepath.Join(job.Dir, "bench.mp3")
	written, err := encode.Write(ctx, ready, newRenderer(plan, raws.recs).read, opt)
	orFail(b, err)
	fed := rendered(b, plan, raws.recs, 1152)
	return []chainStep{
		{"read", func() {
			raws, err := readAll(ctx, again, shares(nil))
			orFail(b, err)
			raws.discard()
		}},
		{"map", func() { inBlocks(x, speech.NewAnalyzer().Add) }},
		{"faults of the room", func() { inBlocks(x, findings.NewListener().Add) }},
		{"faults of the samples", func() {
			samples := findings.NewSamples(made.RateHz, 1)
			inBlocks(x, func(block []float32) { samples.Add([][]float32{block}) })
		}},
		{"levels", func() {
			lev := newLevels(made.RateHz, 1)
			inBlocks(x, func(block []float32) { lev.add([][]float32{block}) })
		}},
		{"takes", func() {
			_, err := splice(job, raws)
			orFail(b, err)
		}},
		{"render", func() { rendered(b, plan, raws.recs, 1152) }},
		{"encode", func() {
			_, err := encode.Write(ctx, mp3, sourceOf(fed), opt)
			orFail(b, errors.Join(err, os.Remove(mp3)))
		}},
		{"prove", func() {
			_, err := encode.Prove(ctx, ready, written, opt, sourceOf(fed), nil)
			orFail(b, err)
		}},
		{"whole", func() {
			m, err := Make(ctx, again)
			orFail(b, err)
			orFail(b, os.Remove(m.MP3))
			if m.Before() != "" {
				orFail(b, os.Remove(m.Before()))
			}
		}},
	}, float64(len(x)) / made.RateHz
}

type chainStep struct {
	name string
	do   func()
}

// BenchmarkChain runs the steps one by one, and the whole chain.
func BenchmarkChain(b *testing.B) {
	steps, seconds := chainSteps(b)
	for _, step := range steps {
		b.Run(step.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				step.do()
			}
			b.ReportMetric(b.Elapsed().Seconds()*1e9/float64(b.N)/seconds, "ns/s_of_sound")
		})
	}
}

// BenchmarkAgainstReference holds each step against the reference, one after the other, the
// best of several each, by processor time where the system tells it. With -benchtime 1x.
func BenchmarkAgainstReference(b *testing.B) {
	const rounds = 7
	steps, _ := chainSteps(b)
	loop := newReference()
	for _, step := range steps {
		b.Run(step.name, func(b *testing.B) {
			for b.Loop() {
				its, reference := math.Inf(1), math.Inf(1)
				for range rounds {
					reference = min(reference, processorSeconds(loop.run))
					its = min(its, processorSeconds(step.do))
				}
				b.ReportMetric(its/reference, "x_reference")
			}
		})
	}
}

// processorSeconds is what the process uses meanwhile.
func processorSeconds(do func()) float64 {
	before := processorTime()
	do()
	return (processorTime() - before).Seconds()
}

// reference has nothing to do with the project: what its steps cost is held against it, by
// ratio, on whatever machine this is. A part each goes to a recursive filter, which waits
// for itself, to a long one, which keeps the multipliers busy, and to whole numbers and a
// table.
type reference struct {
	x, taps []float64
	table   []uint32
	sum     float64 // so that nothing is left out by the compiler
}

func newReference() *reference {
	r := &reference{x: make([]float64, 1<<16), taps: make([]float64, 32), table: make([]uint32, 1<<12)}
	for i := range r.x {
		r.x[i] = math.Sin(float64(i*i%8191)) / 2
	}
	for i := range r.taps {
		r.taps[i] = math.Cos(float64(i)) / 32
	}
	for i := range r.table {
		r.table[i] = uint32(i * i * 2654435761)
	}
	return r
}

func (r *reference) run() {
	var s1, s2 float64
	for range 3 {
		for _, v := range r.x {
			y := 0.2*v + s1
			s1 = 0.4*v + 0.3*y + s2
			s2 = 0.2*v - 0.4*y
		}
	}
	for i := range len(r.x) - len(r.taps) {
		part := r.x[i : i+len(r.taps)]
		var even, odd float64
		for k := 0; k+1 < len(r.taps); k += 2 {
			even += part[k] * r.taps[k]
			odd += part[k+1] * r.taps[k+1]
		}
		r.sum += even + odd
	}
	hash := uint64(14695981039346656037) // FNV-1a, 64 bits
	for i := range 5 * len(r.x) {
		hash = (hash ^ uint64(r.table[(hash>>20^uint64(i))%uint64(len(r.table))])) * 1099511628211
	}
	r.sum += s1 + float64(hash>>60)
}

func orFail(b *testing.B, err error) {
	b.Helper()
	if err != nil {
		b.Fatal(err)
	}
}

// inBlocks hands x on in blocks of the usual size.
func inBlocks(x []float32, add func([]float32)) {
	const size = 8192
	for len(x) > 0 {
		n := min(len(x), size)
		add(x[:n])
		x = x[n:]
	}
}

// sourceOf feeds x to the encoder.
func sourceOf(x []float32) encode.Source {
	return func(dst []float32) (int, error) {
		if len(x) == 0 {
			return 0, io.EOF
		}
		n := copy(dst, x)
		x = x[n:]
		return n, nil
	}
}

// benchPlan is the plan of a job, before its first proof.
func benchPlan(b *testing.B, job Job, raws *rawSet) Plan {
	b.Helper()
	spliced, err := splice(job, raws)
	orFail(b, err)
	set := job.Settings
	t := trim(raws.recs, spliced, set.Delivery.HeadS, set.Delivery.TailS, set.Takes.JoinPauseMaxS)
	l := level(t, set.Level)
	weighted, err := weigh(t, raws.recs, set.Delivery)
	orFail(b, err)
	loudness := normalize(t, l, weighted, set.Delivery, set.Level)
	return loudness.plan(t, l)
}

// longFerry is a made reading of at least so many seconds: no two phrases are alike.
func longFerry(seconds float64) *made.Tape {
	tape := made.NewTape(3)
	tape.Lively = true
	tape.Pause(1)
	for i := 0; len(tape.Samples) < made.Frames(seconds); i++ {
		tape.Phrase(-24+3*math.Sin(float64(i)), 1.2+0.37*float64(i%5), made.Consonant(i%5), made.Consonant(i/5%5))
		tape.Pause(0.4 + 0.2*float64(i%3))
	}
	tape.Pause(1)
	tape.Room(-65)
	return tape
}
