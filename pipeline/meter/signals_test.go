package meter

import "math"

// step is a stretch of a test tone.
type step struct{ seconds, peakDBFS float64 }

// silence is a step's level for exact zeros.
var silence = math.Inf(-1)

// tone makes a sine of a whole number of hertz whose phase runs on across the
// steps.
func tone(rateHz, hz int, steps ...step) []float32 {
	period := make([]float64, rateHz) // one second holds whole periods
	for n := range period {
		period[n] = math.Sin(2 * math.Pi * float64(n*hz%rateHz) / float64(rateHz))
	}
	var x []float32
	for _, s := range steps {
		amplitude := math.Pow(10, s.peakDBFS/20)
		for range int(math.Round(s.seconds * float64(rateHz))) {
			x = append(x, float32(amplitude*period[len(x)%rateHz]))
		}
	}
	return x
}

// repeated is the steps, times over.
func repeated(times int, steps ...step) []step {
	var all []step
	for range times {
		all = append(all, steps...)
	}
	return all
}

// raised is the steps with every level raised.
func raised(db float64, steps []step) []step {
	var all []step
	for _, s := range steps {
		all = append(all, step{s.seconds, s.peakDBFS + db})
	}
	return all
}

// to16Bit rounds to steps of 1/32768.
func to16Bit(x []float32) []float32 {
	for i, v := range x {
		x[i] = float32(math.RoundToEven(float64(v)*32768) / 32768)
	}
	return x
}

// lsb is the peak level of a 16-bit tone of the given peak code.
func lsb(code float64) float64 { return 20 * math.Log10(code/32768) }

// measuredLoudness hears x on the given number of channels.
func measuredLoudness(rateHz, channels int, x []float32) *Loudness {
	m := NewLoudness(rateHz, channels)
	ch := [][]float32{x, x}
	m.Add(ch[:channels])
	return m
}

func measuredTruePeak(rateHz int, x []float32) DB {
	m := NewTruePeak(rateHz)
	m.Add(x)
	return m.DBTP()
}

func measuredPeak(x []float32) DB {
	m := NewPeak()
	m.Add(x)
	return m.DBFS()
}

func measuredRMS(x []float32) DB {
	m := NewRMS()
	m.Add(x)
	return m.DBFS()
}

func measuredSpeech(rateHz int, x []float32) *ActiveSpeech {
	m := NewActiveSpeech(rateHz)
	m.Add(x)
	return m
}

// noise is white and repeatable (xorshift), peak amplitude as given.
func noise(frames int, amplitude float64, seed uint32) []float32 {
	x := make([]float32, frames)
	for i := range x {
		seed ^= seed << 13
		seed ^= seed >> 17
		seed ^= seed << 5
		x[i] = float32(amplitude * (float64(seed)/(1<<31) - 1))
	}
	return x
}
