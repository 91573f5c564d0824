package pipeline

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"lectern/pipeline/meter/published"
	"lectern/pipeline/report"
	"lectern/pipeline/resample/sinc"
	"lectern/pipeline/speech"
)

const (
	noiseFloorDBFS = "noise_floor_dbfs"
	roomToneDBFS   = "room_tone_dbfs"
)

// TestRoomFigures measures the noise floor and room tone of made rooms at three
// rates, by the meters as check uses them on any file. With -v it prints the table
// that meter/README.md holds; with -update it writes it there.
//
// The figures are of the sound at 44.1 kHz. So the rooms hold nothing above 20 kHz,
// where at other rates a part of white noise would be lost with what lies above.
func TestRoomFigures(t *testing.T) {
	const (
		readings = "quantiles of noise"
		own      = "our definition"
	)
	room := func(signal, source string, figures []published.Figure, made func(rateHz int) []float32) published.Case {
		return published.Case{
			Source: source, Signal: signal, Figures: figures,
			Measure: func(rateHz int) []float64 {
				m := measuredOf(t, rateHz, made(rateHz), func(left int) int { return min(left, 5000) })
				return []float64{float64(m.NoiseFloorDBFS), float64(m.RoomToneDBFS)}
			},
		}
	}
	both := func(floor, floorWithin, tone, toneWithin float64) []published.Figure {
		return []published.Figure{published.Even(noiseFloorDBFS, floor, floorWithin), published.Even(roomToneDBFS, tone, toneWithin)}
	}
	published.Table{README: "meter/README.md", Command: "go test ./pipeline -run TestRoomFigures -update"}.Hold(t,
		room("10 x (2 s 1 kHz -20 dBFS, 1 s zeros) over Gaussian noise of -65 dBFS", own,
			both(-65.06, 0.5, -65, 0.5), func(rateHz int) []float32 { return toneOver(rateHz, gaussian(rateHz, 30, 0)) }),
		room("the same over noise low-passed at 150 Hz", own,
			both(-65.41, 0.5, -65, 0.5), func(rateHz int) []float32 { return toneOver(rateHz, gaussian(rateHz, 30, 150)) }),
		// The 10 % quantile of blocks of 0.4 s lies under the level, the further the
		// fewer independent values a block holds: as computed for 60 s.
		room("60 s of Gaussian noise of -65 dBFS", readings,
			both(-65.06, 0.03, -65, 0.03), func(rateHz int) []float32 { return gaussian(rateHz, 60, 0) }),
		room("60 s of noise of -65 dBFS, low-passed at 150 Hz", readings,
			both(-65.41, 0.15, -65, 0.05), func(rateHz int) []float32 { return gaussian(rateHz, 60, 150) }),
	)
}

// TestMeasurementInBlocks holds that no bit of any figure of a file depends on
// how the samples are cut.
func TestMeasurementInBlocks(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 5))
	for _, rateHz := range []int{44100, 48000, 96000} {
		x := toneOver(rateHz, gaussian(rateHz, 6, 0))[:6*rateHz-17]
		whole := measuredOf(t, rateHz, x, func(left int) int { return left })
		if whole.NoiseFloorDBFS.IsSilent() || whole.RoomToneDBFS.IsSilent() || whole.HeadS == nil {
			t.Fatalf("%d Hz: a figure is missing: %+v", rateHz, whole)
		}
		for _, size := range []int{1, 7, 441, 4096, 0} {
			next, name := func(left int) int { return min(left, size) }, fmt.Sprintf("blocks of %d", size)
			if size == 0 {
				next, name = func(left int) int { return min(left, rng.IntN(20000)) }, "blocks of any size"
			}
			t.Run(fmt.Sprintf("%d Hz, %s", rateHz, name), func(t *testing.T) {
				if cut := measuredOf(t, rateHz, x, next); !reflect.DeepEqual(cut, whole) {
					t.Errorf("in one go %+v\nin blocks %+v", whole, cut)
				}
			})
		}
	}
}

// gaussian is noise of -65 dBFS, plain RMS, with nothing above 20 kHz; lowHz is
// the corner of a one-pole low-pass, 0 for white.
func gaussian(rateHz int, seconds float64, lowHz float64) []float32 {
	const half = 48
	filter := sinc.NewLowPass(20000/float64(rateHz), half, 60)
	var taps [2*half + 1]float64
	for i := range taps {
		taps[i] = filter.At(float64(i - half))
	}
	rng := rand.New(rand.NewPCG(7, uint64(rateHz)))
	raw := make([]float64, int(seconds*float64(rateHz))+2*half)
	k, y := 1-math.Exp(-2*math.Pi*lowHz/float64(rateHz)), 0.0
	for i := range raw {
		raw[i] = rng.NormFloat64()
		if lowHz > 0 {
			y += k * (raw[i] - y)
			raw[i] = y
		}
	}
	x := make([]float32, len(raw)-2*half)
	for n := range x {
		sum := 0.0
		for i, tap := range taps {
			sum += tap * raw[n+i]
		}
		x[n] = float32(sum)
	}
	gain := float32(math.Pow(10, (-65-rmsDBFS(x))/20))
	for i := range x {
		x[i] *= gain
	}
	return x
}

// toneOver lays 2 s of 1 kHz, -20 dBFS, and 1 s of nothing over the noise x, again
// and again.
func toneOver(rateHz int, x []float32) []float32 {
	for i := range x {
		if i%(3*rateHz) < 2*rateHz {
			x[i] += float32(0.1 * math.Sin(2*math.Pi*1000*float64(i)/float64(rateHz)))
		}
	}
	return x
}

// measuredOf hears x in blocks of the lengths that next gives.
func measuredOf(t *testing.T, rateHz int, x []float32, next func(left int) int) report.Measured {
	m := newMeasurement(rateHz, 1)
	each := func(uses []use) use {
		return func(ch [][]float32) (err error) {
			for _, use := range uses {
				err = errors.Join(err, use(ch))
			}
			return err
		}
	}
	asIs, converted := each(m.usesAsIs()), each(m.usesConverted())
	for at := 0; at < len(x); {
		end := at + next(len(x)-at)
		block := [][]float32{x[at:end]}
		if err := errors.Join(asIs(block), m.convert(block, converted)); err != nil {
			t.Error(err)
		}
		at = end
	}
	if err := m.converter.Close(inMono(converted)); err != nil {
		t.Error(err)
	}
	got, _ := m.result(nil)
	return got
}

// TestRoomToneNeedsRoomToHear: a pause of which less than 0.4 s is heard, breaths
// and digital silence left out, does not count.
func TestRoomToneNeedsRoomToHear(t *testing.T) {
	power := slices.Repeat([]float32{1e-6}, 100)
	pauses := []speech.Span{{From: 0, To: 100}}
	for left, want := range map[int]float64{40: 1e-6, 39: 0} {
		breath := speech.Span{From: 5, To: 95 - left}
		if got := roomTonePower(power, pauses, notRoom(100, []speech.Span{breath}, nil)); math.Abs(got-want) > 1e-9 {
			t.Errorf("%d frames heard: %g, want %g", left, got, want)
		}
	}
}
