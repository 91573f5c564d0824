package encode

import (
	"context"
	"io"
	"testing"
)

// perSecond reports what one second of audio costs, the processor's clock running alone:
// run it with -cpu 1.
func perSecond(b *testing.B, seconds float64) {
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/seconds, "ns/s-of-audio")
	b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}

// onCores runs a bench with one worker and with as many as there are cores.
func onCores(b *testing.B, run func(b *testing.B, opt Options)) {
	b.Run("one", func(b *testing.B) { run(b, Options{BitrateKbps: 192, Workers: 1}) })
	b.Run("all", func(b *testing.B) { run(b, at192) })
}

const benchSeconds = 20 // four segments, eight stretches

func BenchmarkWrite(b *testing.B) {
	x := limitedSpeech(benchSeconds*sampleRateHz, 0.7)
	onCores(b, func(b *testing.B, opt Options) {
		b.ReportAllocs()
		for b.Loop() {
			written(b, x, opt)
		}
		perSecond(b, benchSeconds)
	})
}

// The fixed encoder by itself: what BenchmarkWrite takes more is ours.
func BenchmarkEncoder(b *testing.B) {
	frames := frameCount(benchSeconds * sampleRateHz)
	x, in := limitedSpeech(int(frames)*samplesPerFrame, 0.7), newInput(int(frames))
	if err := newQuantizer([32]byte{}).quantize(in, x); err != nil {
		b.Fatal(err)
	}
	c, err := newCoder(192)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		for rest := in; len(rest) > 0; rest = rest[samplesPerFrame:] {
			if err := c.fresh.Write(io.Discard, rest[:samplesPerFrame]); err != nil {
				b.Fatal(err)
			}
		}
	}
	perSecond(b, benchSeconds)
}

func BenchmarkProve(b *testing.B) {
	x := limitedSpeech(benchSeconds*sampleRateHz, 0.7)
	path, w := written(b, x, at192)
	onCores(b, func(b *testing.B, opt Options) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := Prove(context.Background(), path, w, opt, sourceOf(x), nil); err != nil {
				b.Fatal(err)
			}
		}
		perSecond(b, benchSeconds)
	})
}

func BenchmarkCompare(b *testing.B) {
	fed, decoded := limitedSpeech(samplesPerFrame, 0.7), limitedSpeech(samplesPerFrame, 0.69)
	for b.Loop() {
		newSpan(fed, decoded)
	}
	b.ReportMetric(b.Elapsed().Seconds()*1e9/float64(b.N)/samplesPerFrame, "ns/sample")
}

func BenchmarkDither(b *testing.B) {
	q := newQuantizer([32]byte{})
	in, out := make([]float32, samplesPerFrame), make([]int16, samplesPerFrame)
	for b.Loop() {
		if err := q.quantize(out, in); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()*1e9/float64(b.N)/samplesPerFrame, "ns/sample")
}

func BenchmarkDecode(b *testing.B) {
	path, _ := written(b, limitedSpeech(benchSeconds*sampleRateHz, 0.7), at192)
	b.ReportAllocs()
	for b.Loop() {
		decoded(b, path)
	}
	perSecond(b, benchSeconds)
}
