package encode

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
)

// onePass is the encoder as it is meant to be used, one frame after the other to the
// end: what segments are held against.
func onePass(t *testing.T, x []float32, opt Options) []byte {
	t.Helper()
	c, err := newCoder(opt.BitrateKbps)
	if err != nil {
		t.Fatal(err)
	}
	enc := c.fresh
	q, pad := newQuantizer(opt.DitherSeed), newPadder(opt.BitrateKbps)
	var stream bytes.Buffer
	var all []byte
	n := frameCount(int64(len(x)))
	for i := range n + 1 {
		block, in := make([]float32, samplesPerFrame), newInput(1)
		copy(block, x[min(len(x), int(i)*samplesPerFrame):])
		if err := q.quantize(in, block); err != nil {
			t.Fatal(err)
		}
		if err := enc.Write(&stream, in); err != nil {
			t.Fatal(err)
		}
	}
	for range n {
		frame := stream.Next(c.frameBytes)
		if err := raiseGain(frame); err != nil {
			t.Fatal(err)
		}
		all = append(all, padded(bytes.Clone(frame), pad.next())...)
	}
	return all
}

// clicks is a click in every granule, as loud as the encoder, at 128 kbit/s, leans most on
// the granules before.
func clicks(n int) []float32 {
	x := make([]float32, n)
	for i := 100; i < n; i += samplesPerFrame / 2 {
		x[i] = 0.77
	}
	return x
}

// hardSounds are those that could give an encoder something to remember: none at all,
// next to none, as much as there can be, and steps from one to the other.
func hardSounds(n int) map[string][]float32 {
	edges := make([]float32, n)
	for i := range edges {
		switch i / 3001 % 4 {
		case 0:
			edges[i] = float32(1 - 2*(i&1))
		case 1:
			edges[i] = 1e-6
		case 2:
			edges[i] = float32(math.Sin(float64(i*i) / 1e6))
		}
	}
	return map[string][]float32{
		"clicks":       clicks(n),
		"speech":       limitedSpeech(n, 0.7),
		"noise":        whiteNoise(n, 0.3),
		"faint noise":  whiteNoise(n, 0.0003),
		"square":       square(n, 441, 0.9),
		"silence":      make([]float32, n),
		"edges":        edges,
		"faint tone":   sine(n, 3000, 0.00003),
		"full tone":    sine(n, 997, 1),
		"steady level": square(n, 0.001, 0.5),
	}
}

// encoded returns the audio frames that writeAudio makes.
func encoded(t *testing.T, x []float32, opt Options, most, warm int) ([]byte, error) {
	t.Helper()
	var out bytes.Buffer
	w, m, err := writeAudio(context.Background(), &out, sourceOf(x), opt, most, warm)
	if err != nil {
		return nil, err
	}
	if w.Samples != int64(len(x)) || w.Frames != frameCount(w.Samples) || m.bytes != int64(out.Len()) || m.crc != crc16(0, out.Bytes()) {
		t.Fatalf("%d samples: %+v, %+v, %d bytes", len(x), w, m, out.Len())
	}
	return out.Bytes(), nil
}

func TestSegmentsAreOnePass(t *testing.T) {
	for name, x := range hardSounds(40_000) {
		for _, kbps := range []int{128, 160, 192, 224, 256, 320} {
			opt := Options{BitrateKbps: kbps, DitherSeed: [32]byte{byte(kbps)}}
			want := onePass(t, x, opt)
			for _, most := range []int{1, 2, 7, 23, segmentFrames} {
				if most < 23 && kbps > 128 && kbps < 320 {
					continue // to the rates between, each cut is the same
				}
				opt.Workers = 1 + most%8
				got, err := encoded(t, x, opt, most, warmFrames)
				if err != nil {
					t.Fatalf("%s at %d kbit/s in segments of %d: %v", name, kbps, most, err)
				}
				sameFrames(t, fmt.Sprintf("%s at %d kbit/s in segments of %d", name, kbps, most), got, want)
			}
		}
	}
}

func TestSegmentsAreOnePassAtAnyLength(t *testing.T) {
	all := limitedSpeech(3*segmentFrames*samplesPerFrame, 0.6)
	edge := segmentFrames * samplesPerFrame
	for _, n := range []int{
		1, 94, 95, 96, 1151, 1152, 1153, 5000, edge - 1058, edge - 1057, edge - 1056, edge - 1, edge, edge + 1,
		edge + 95, edge + 96, 2*edge - 1057, 2*edge - 1056, len(all),
	} {
		want := onePass(t, all[:n], at192)
		for _, workers := range []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 99} {
			if n > edge/2 && workers > 1 {
				break // those are for the segments of minutes and of less
			}
			got, err := encoded(t, all[:n], Options{BitrateKbps: 192, Workers: workers}, segmentFrames, warmFrames)
			if err != nil {
				t.Fatal(err)
			}
			sameFrames(t, fmt.Sprintf("%d samples on %d cores", n, workers), got, want)
		}
	}
}

// Minutes of it, with the segments and cores that Write has.
func TestSegmentsOfMinutes(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	var x []float32
	for _, part := range hardSounds(12 * sampleRateHz) {
		x = append(x, part...)
	}
	got, err := encoded(t, x, Options{BitrateKbps: 192, Workers: 2}, segmentFrames, warmFrames)
	if err != nil {
		t.Fatal(err)
	}
	sameFrames(t, "minutes", got, onePass(t, x, at192))
}

// byThemselves encodes each segment by itself and returns how many there are, how many
// follow the one before, and how many came out as in one pass: all that follow must.
func byThemselves(t *testing.T, x []float32, opt Options, most, warm int) (segments, follow, same int) {
	t.Helper()
	var frames [][]byte // of one pass, unpadded
	for rest := onePass(t, x, opt); len(rest) > 0; {
		h := parseHeader(rest)
		frame := rest[:h.size()-h.padding()]
		rest = rest[h.size():]
		frame[2] &^= 2
		frames = append(frames, frame)
	}
	in := newFeed(sourceOf(x), opt.DitherSeed, most, warm)
	for last := false; !last; {
		var s segment
		var err error
		if last, err = in.fill(context.Background(), &s); err != nil {
			t.Fatal(err)
		}
		if err := s.encode(opt.BitrateKbps); err != nil {
			t.Fatal(err)
		}
		segments++
		isSame := bytes.Equal(s.own(), bytes.Join(frames[s.first:][:s.frames], nil))
		if isSame {
			same++
		}
		if s.follows(frames[max(0, s.first-1)]) {
			follow++
			if !isSame {
				t.Errorf("the segment at frame %d counts as following and is not as in one pass", s.first)
			}
		}
	}
	return segments, follow, same
}

func TestSegmentsThatDoNotFollow(t *testing.T) {
	at128 := Options{BitrateKbps: 128}
	for name, x := range hardSounds(30_000) {
		n, follow, same := byThemselves(t, x, at128, 7, warmFrames)
		if (name != "clicks") != (follow == n) || n < 4 {
			t.Errorf("%s: of %d segments %d follow, %d are as in one pass", name, n, follow, same)
		}
	}
	// One that begins cold is not as in one pass, and one that cannot be told does not count.
	for warm := range warmFrames {
		n, follow, same := byThemselves(t, limitedSpeech(30_000, 0.7), at192, 7, warm)
		if follow != 1 || warm == 0 && same != 1 {
			t.Errorf("%d frames early: of %d segments %d follow, %d are as in one pass", warm, n, follow, same)
		}
	}
	// They are encoded once more, and by that alone they are right.
	for _, x := range [][]float32{clicks(30_000), limitedSpeech(30_000, 0.7)} {
		for _, most := range []int{1, 2, 7, 8} {
			got, err := encoded(t, x, at128, most, 0)
			if err != nil {
				t.Fatal(err)
			}
			sameFrames(t, fmt.Sprintf("cold segments of %d", most), got, onePass(t, x, at128))
		}
	}
}

func TestFaultsOfTheEncoderAreErrors(t *testing.T) {
	for says, harm := range map[string]func(c *coder){
		"encode frame 0: encoder failed: runtime error: index out of range": func(c *coder) { c.fresh.Mpeg.SampleRateIndex = 99 },
		"encode frame 5: encoder lost the frame boundary":                   func(c *coder) { c.frameBytes++ },
		"encode frame 0: encoder lost the frame boundary":                   func(c *coder) { c.fresh.Mpeg.Mode = 0 }, // not one channel
	} {
		var s segment
		var err error
		if s.coder, err = newCoder(192); err != nil {
			t.Fatal(err)
		}
		harm(s.coder)
		if _, err := newFeed(sourceOf(limitedSpeech(9000, 0.5)), [32]byte{}, 5, warmFrames).fill(context.Background(), &s); err != nil {
			t.Fatal(err)
		}
		if err := s.encode(192); err == nil || !strings.HasPrefix(err.Error(), says) {
			t.Errorf("%v, want %s", err, says)
		}
	}
}

// What a segment leans on: dithered silence, the least there is, has big values in
// every granule, and by far.
func TestEveryFrameSettles(t *testing.T) {
	for _, kbps := range []int{128, 320} {
		frames := onePass(t, make([]float32, 2_000_000), Options{BitrateKbps: kbps})
		least := 576
		for len(frames) > 0 {
			frame := frames[:parseHeader(frames).size()]
			frames = frames[len(frame):]
			if !settled(frame) {
				t.Fatal("a frame of dithered silence has a granule of no big values")
			}
			for gr := range 2 {
				at := headerBytes*8 + 18 + gr*59 + 12
				v := int(frame[at/8])<<16 | int(frame[at/8+1])<<8 | int(frame[at/8+2])
				least = min(least, v>>(24-at%8-9)&511)
			}
		}
		t.Logf("%d kbit/s: at least %d big values of 288", kbps, least)
		if least < 50 {
			t.Errorf("%d kbit/s: a granule of dithered silence has only %d big values", kbps, least)
		}
	}
	if settled(make([]byte, 626)) {
		t.Error("a frame of nothing counts as settled")
	}
}

func sameFrames(t *testing.T, what string, got, want []byte) {
	t.Helper()
	if bytes.Equal(got, want) {
		return
	}
	at := 0
	for at < min(len(got), len(want)) && got[at] == want[at] {
		at++
	}
	t.Errorf("%s: differs from one pass at byte %d of %d, %d", what, at, len(got), len(want))
}

// In a bubble of synctest a goroutine that is left behind ends the test as a deadlock.
func TestFailingPieceStopsAll(t *testing.T) {
	broken := errors.New("cable pulled")
	at := func(n int, f func() error) func(int, *int) error {
		return func(_ int, p *int) error {
			if *p != n {
				return nil
			}
			return f()
		}
	}
	fails, panics := func() error { return broken }, func() error { panic("lost") }
	exits := func() error { runtime.Goexit(); return nil }
	for name, c := range map[string]struct {
		fill, work func(worker int, p *int) error
		take       func(*int) error
		says       string
		taken      int // most
	}{
		"all well":           {at(0, fails), at(0, fails), nil, "", 50},
		"a worker fails":     {at(0, fails), at(7, fails), nil, "cable pulled", 6},
		"a worker panics":    {at(0, fails), at(7, panics), nil, "our fault: lost", 6},
		"the last one fails": {at(0, fails), at(50, fails), nil, "cable pulled", 49},
		"taking fails":       {at(0, fails), at(0, fails), func(*int) error { return broken }, "cable pulled", 0},
		"taking panics":      {at(0, fails), at(0, fails), func(*int) error { panic("sink") }, "panic: sink", 0},
		"filling fails":      {at(7, fails), at(0, fails), nil, "cable pulled", 6},
		"filling panics":     {at(7, panics), at(0, fails), nil, "panic: lost", 6},
		"filling just ends":  {at(7, exits), at(0, fails), nil, "the pieces ended before the last one", 6},
	} {
		for workers := 1; workers <= 8; workers++ {
			synctest.Test(t, func(t *testing.T) {
				filled, taken := 0, 0
				err := caught(func() error {
					return inOrder(workers,
						func(p *int) (last bool, err error) {
							filled++
							*p = filled
							return filled == 50, c.fill(0, p)
						},
						c.work,
						func(p *int) error {
							if c.take != nil {
								return c.take(p)
							}
							if taken++; *p != taken {
								return fmt.Errorf("piece %d came as number %d", *p, taken)
							}
							return nil
						})
				})
				says := ""
				if err != nil {
					says = err.Error()
				}
				if says != c.says || taken > c.taken || err == nil && taken != c.taken {
					t.Errorf("%s on %d: %q, %d taken; want %q, %d", name, workers, says, taken, c.says, c.taken)
				}
			})
		}
	}
}

// caught makes a panic that comes out of f an error.
func caught(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v", p)
		}
	}()
	return f()
}

func TestStoppedWriteLeavesNoGoroutine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(context.Background())
		calls := 0
		_, _, err := writeAudio(ctx, io.Discard, func(dst []float32) (int, error) {
			if calls++; calls == 100 {
				stop()
			}
			return len(dst), nil
		}, at192, 10, warmFrames)
		if !errors.Is(err, context.Canceled) || calls != 100 {
			t.Errorf("stopped: %v, %d reads, want 100", err, calls)
		}
	})
}
