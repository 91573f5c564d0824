package pipeline

import (
	"math"
	"slices"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/meter"
	"lectern/pipeline/speech"
)

// TestNoiseFigures lays Gaussian noise of -65 dBFS under ten times 2 s of words
// and 1 s of pause: noise floor and room tone must read -65 within 0.5, by the
// meters as check uses them on any file. The 10 % quantile of blocks of 0.4 s lies
// 0.06 dB under the level of white noise.
func TestNoiseFigures(t *testing.T) {
	tape := made.NewTape(7)
	for range 10 {
		tape.Phrase(-20, 2, made.None, made.None)
		tape.Pause(1)
	}
	tape.White(-65)
	x := tape.Float32()
	m := newMeasurement(sampleRateHz, 1)
	if err := m.hear(1, func(add use) error { return add([][]float32{x}) }); err != nil {
		t.Fatal(err)
	}
	got, _ := m.result(nil)
	t.Logf("noise floor %.2f, room tone %.2f dBFS", float64(got.NoiseFloorDBFS), float64(got.RoomToneDBFS))
	for name, v := range map[string]meter.DB{"noise floor": got.NoiseFloorDBFS, "room tone": got.RoomToneDBFS} {
		if math.Abs(float64(v)+65) > 0.5 {
			t.Errorf("%s %.2f dBFS, want -65 within 0.5", name, float64(v))
		}
	}
}

// TestRoomTonePower goes through the definition: pauses of 0.5 s and more, 50 ms
// trimmed from each side, digital silence and what is no room left out.
func TestRoomTonePower(t *testing.T) {
	const tone, word, breath = 1e-6, 1e-2, 1e-4
	power := slices.Repeat([]float32{word}, 400)
	fill := func(from, to int, p float32) {
		for i := from; i < to; i++ {
			power[i] = p
		}
	}
	pauses := []speech.Span{{From: 50, To: 150}, {From: 200, To: 249}, {From: 300, To: 400}}
	fill(55, 145, tone) // the 50 ms beside the words stay loud: they must not count
	fill(80, 90, breath)
	fill(90, 100, 0)
	fill(200, 249, breath) // too short a pause
	fill(305, 395, 2*tone)
	sounds := []speech.Span{{From: 80, To: 90}}
	got := roomTonePower(power, pauses, notRoom(400, sounds, nil))
	if want := (70*tone + 90*2*tone) / 160; math.Abs(got/want-1) > 1e-6 {
		t.Errorf("%g, want %g", got, want)
	}
	laidIn := make([]bool, 400)
	for i := 300; i < 400; i++ {
		laidIn[i] = true
	}
	if got := roomTonePower(power, pauses, notRoom(400, sounds, laidIn)); math.Abs(got/tone-1) > 1e-6 {
		t.Errorf("without the laid-in pause %g, want %g", got, tone)
	}
	if got := roomTonePower(power, pauses[1:2], notRoom(400, nil, nil)); got != 0 {
		t.Errorf("a pause of 0.49 s gave %g", got)
	}
}

// TestNoiseFloorPower wants the 10 % quantile of 0.4 s blocks lying wholly in pauses.
func TestNoiseFloorPower(t *testing.T) {
	power := slices.Repeat([]float32{1}, 1000)
	pauses := []speech.Span{{From: 0, To: 870}, {From: 900, To: 945}}
	// 21 blocks from frame 5 on, each louder than the one before: 1e-6, 2e-6 ...
	for i := range 840 {
		power[5+i] = float32(i/40+1) * 1e-6
	}
	if got := noiseFloorPower(power, pauses); math.Abs(got/3e-6-1) > 1e-5 {
		t.Errorf("%g, want the third of 21 blocks, 3e-6", got)
	}
	// Digital silence in a block does not make it softer, and a silent block none.
	for i := range 20 {
		power[5+80+i] = 0
	}
	if got := noiseFloorPower(power, pauses); math.Abs(got/3e-6-1) > 1e-5 {
		t.Errorf("half of a block silent: %g, want 3e-6", got)
	}
	if got := noiseFloorPower(make([]float32, 1000), pauses); got != 0 {
		t.Errorf("digital silence has a noise floor of %g", got)
	}
	if got := noiseFloorPower(power, []speech.Span{{From: 0, To: 49}}); got != 0 {
		t.Errorf("a pause without room for a block gave %g", got)
	}
}
