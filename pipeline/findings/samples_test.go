package findings

import (
	"math/rand/v2"
	"reflect"
	"testing"

	"lectern/pipeline/internal/made"
)

// samplesHeard listens to channels in blocks of the given size, 0 for random ones.
func samplesHeard(rateHz, block int, channels ...[]float32) SampleFaults {
	rng := rand.New(rand.NewPCG(7, 7))
	s := NewSamples(rateHz, len(channels))
	part := make([][]float32, len(channels))
	for at := 0; at < len(channels[0]); {
		n := block
		if n == 0 {
			n = 1 + rng.IntN(9000)
		}
		n = min(n, len(channels[0])-at)
		for k := range part {
			part[k] = channels[k][at : at+n]
		}
		s.Add(part)
		at += n
	}
	return s.Conclude()
}

// spoilt is a reading with every fault of samples in it.
func spoilt() []float32 {
	x := reading(3).Float32()
	for i := range x {
		x[i] = max(-1, min(1, 8*x[i]))
	}
	for i := range 300 {
		x[12*made.RateHz+i] = 0
	}
	copy(x[20*made.RateHz:], x[20*made.RateHz-512:20*made.RateHz])
	for i := 25 * made.RateHz; i < len(x); i++ {
		x[i] *= 0.5
	}
	return x
}

// TestSamplesBlocks wants the same answer whatever blocks the samples come in.
func TestSamplesBlocks(t *testing.T) {
	x := spoilt()
	want := samplesHeard(made.RateHz, len(x), x)
	if len(want.Clips) == 0 || len(want.DropOuts) == 0 || len(want.Repeats) == 0 {
		t.Fatalf("not all faults were heard: %d clips, %d drop-outs, %d repeats",
			len(want.Clips), len(want.DropOuts), len(want.Repeats))
	}
	for _, block := range []int{1, 441, 0} {
		if got := samplesHeard(made.RateHz, block, x); !reflect.DeepEqual(got, want) {
			t.Errorf("in blocks of %d other faults are heard", block)
		}
	}
}

// TestSamplesOfLittle wants no fault, and no crash, of nothing, one sample and silence.
func TestSamplesOfLittle(t *testing.T) {
	for _, n := range []int{0, 1, 100, 3 * made.RateHz} {
		for _, rateHz := range []int{1234, 8000, 44100, 192000} {
			got := samplesHeard(rateHz, 1000, make([]float32, n), make([]float32, n))
			if !reflect.DeepEqual(got, SampleFaults{}) {
				t.Errorf("%d silent samples at %d Hz: %+v", n, rateHz, got)
			}
		}
	}
}

func BenchmarkSamples(b *testing.B) {
	x := reading(3).Float32()[:30*made.RateHz]
	part := make([][]float32, 1)
	b.ReportAllocs()
	for b.Loop() {
		s := NewSamples(made.RateHz, 1)
		for at := 0; at < len(x); at += 8192 {
			part[0] = x[at:min(len(x), at+8192)]
			s.Add(part)
		}
		s.Conclude()
	}
	b.ReportMetric(30*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}
