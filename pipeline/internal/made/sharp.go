package made

import (
	"math"
	"math/rand/v2"
)

// fallOf is what dies away evenly so that it is 10 dB softer after fallS seconds.
func fallOf(i int, fallS float64) float64 {
	return math.Pow(10, -0.5*float64(i)/RateHz/fallS)
}

// Burst makes a burst of noise between two corners that falls by 10 dB in fallS: a
// clap at 800 to 6000 Hz, a click above 2 kHz.
func Burst(rng *rand.Rand, lowHz, highHz, fallS float64) []float64 {
	t := Tape{rng: rng}
	x := t.noise(Frames(4*fallS), lowHz, highHz)
	for i := range x {
		x[i] *= fallOf(i, fallS)
	}
	return x
}

// Ring makes tones that fall by 10 dB in fallS, each as loud as the one before: what is
// struck.
func Ring(fallS float64, hz ...float64) []float64 {
	x := make([]float64, Frames(4*fallS))
	for i := range x {
		for _, f := range hz {
			x[i] += fallOf(i, fallS) * math.Sin(2*math.Pi*f*float64(i)/RateHz)
		}
	}
	return x
}

// Mixed adds y, made underDB softer than x by the energy of both, to x.
func Mixed(x, y []float64, underDB float64) []float64 {
	k := math.Sqrt(energy(x)/energy(y)) * math.Pow(10, -underDB/20)
	out := append(append([]float64(nil), x...), make([]float64, max(0, len(y)-len(x)))...)
	for i, v := range y {
		out[i] += k * v
	}
	return out
}

// Echoed adds the echo of a small room to x, its energy underDB under that of x: noise
// that falls by 60 dB in 0.3 s.
func Echoed(rng *rand.Rand, x []float64, underDB float64) []float64 {
	t := Tape{rng: rng}
	room := t.noise(Frames(0.15), 200, 8000)
	for i := range room {
		room[i] *= fallOf(i, 0.05)
	}
	y := make([]float64, len(x)+len(room))
	for i, v := range x {
		if math.Abs(v) > 0 {
			for k, r := range room {
				y[i+k] += v * r
			}
		}
	}
	return Mixed(x, y, underDB)
}

func energy(x []float64) (sum float64) {
	for _, v := range x {
		sum += v * v
	}
	return sum
}

// Loudest is the mean square of the loudest 10 ms of x.
func Loudest(x []float64) float64 {
	n := Frames(0.01)
	var sum, most float64
	for i, v := range x {
		sum += v * v
		if i >= n {
			sum -= x[i-n] * x[i-n]
		}
		most = max(most, sum)
	}
	return most / float64(n)
}

// ToLoudest scales x so that its loudest 10 ms have the given power.
func ToLoudest(x []float64, power float64) { scale(x, math.Sqrt(power/Loudest(x))) }
