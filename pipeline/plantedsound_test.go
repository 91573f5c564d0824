package pipeline

import (
	"math"
	"math/rand/v2"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/resample"
)

// copied returns x as it is, to be changed.
func copied(x []float32) []float32 { return append([]float32(nil), x...) }

// whole is a fault that runs through the whole recording.
func whole(channels ...[]float32) *planted { return &planted{channels: channels} }

// noiseBand is Gaussian noise between two corners, 24 dB down an octave, of the
// given RMS amplitude.
func noiseBand(n, rateHz int, lowHz, highHz, amplitude float64, rng *rand.Rand) []float32 {
	x := make([]float64, n)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	for range 4 {
		lowKeep, highKeep := 1-math.Exp(-2*math.Pi*highHz/float64(rateHz)), 1-math.Exp(-2*math.Pi*lowHz/float64(rateHz))
		var low, mean float64
		for i, v := range x {
			low += lowKeep * (v - low)
			mean += highKeep * (low - mean)
			x[i] = low - mean
		}
	}
	var sum float64
	for _, v := range x {
		sum += v * v
	}
	k := amplitude / math.Sqrt(sum/float64(n))
	out := make([]float32, n)
	for i, v := range x {
		out[i] = float32(v * k)
	}
	return out
}

// plus adds b to a.
func plus(a, b []float32) []float32 {
	out := copied(a)
	for i := range out {
		out[i] += b[i]
	}
	return out
}

func times(x []float32, k float64) []float32 {
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = float32(float64(v) * k)
	}
	return out
}

// shouted makes four sentences louder, each so that its peak is overDB over
// ceiling, and returns where each stays over it longest.
func (g ground) shouted(ceiling, overDB float64) ([]float32, []place) {
	x := copied(g.x)
	var at []place
	for _, s := range spread(g.sentences, 4) {
		top := g.loudest(s)
		k := float32(ceiling * math.Pow(10, overDB/20) / math.Abs(float64(x[top])))
		ramp := g.frames(0.02)
		for i := max(0, s.From-ramp); i < min(len(x), s.To+ramp); i++ {
			inside := min(1, float32(i-s.From+ramp)/float32(ramp), float32(s.To+ramp-i)/float32(ramp))
			x[i] *= 1 + (k-1)*max(0, inside)
		}
		at = append(at, g.longestOver(x, s, ceiling))
	}
	return x, at
}

// longestOver is the longest run of samples in s that reach the ceiling.
func (g ground) longestOver(x []float32, s made.Span, ceiling float64) place {
	var longest made.Span
	from := s.From
	for i := s.From; i <= s.To; i++ {
		if i < s.To && math.Abs(float64(x[i])) >= 0.9999*ceiling {
			continue
		}
		if i-from > longest.To-longest.From {
			longest = made.Span{From: from, To: i}
		}
		from = i + 1
	}
	return place{g.seconds(longest.From), g.seconds(longest.To)}
}

// clippedAt cuts x off at a ceiling.
func clippedAt(x []float32, ceiling float32) []float32 {
	out := copied(x)
	for i, v := range out {
		out[i] = max(-ceiling, min(ceiling, v))
	}
	return out
}

// section2 is a filter section of second order.
type section2 struct{ b0, b1, b2, a1, a2 float64 }

// shelf raises what lies over (high) or under the corner by db. The formulas are
// those of the Audio EQ Cookbook (W3C note, 2021), slope 1.
func shelf(rateHz int, hz, db float64, high bool) section2 {
	a := math.Pow(10, db/40)
	w := 2 * math.Pi * hz / float64(rateHz)
	c, alpha := math.Cos(w), math.Sin(w)/2*math.Sqrt2
	if high {
		c = -c
	}
	root := 2 * math.Sqrt(a) * alpha
	b0, b1, b2 := a*((a+1)-(a-1)*c+root), 2*a*((a-1)-(a+1)*c), a*((a+1)-(a-1)*c-root)
	a0, a1, a2 := (a+1)+(a-1)*c+root, -2*((a-1)+(a+1)*c), (a+1)+(a-1)*c-root
	if high {
		b1, a1 = -b1, -a1
	}
	return section2{b0 / a0, b1 / a0, b2 / a0, a1 / a0, a2 / a0}
}

func (f section2) of(x []float32) []float32 {
	out := make([]float32, len(x))
	var x1, x2, y1, y2 float64
	for i, v := range x {
		in := float64(v)
		y := f.b0*in + f.b1*x1 + f.b2*x2 - f.a1*y1 - f.a2*y2
		x2, x1, y2, y1 = x1, in, y1, y
		out[i] = float32(y)
	}
	return out
}

// echoed adds the sound of a small room: taps thrown at random that die away by 60
// dB in 0.35 s, together overDB over the direct sound.
func echoed(x []float32, rateHz int, overDB float64, rng *rand.Rand) []float32 {
	const lastsS, tapsPerS = 0.35, 700
	out := copied(x)
	var taps []float64
	var at []int
	var sum float64
	for i := range int(lastsS * tapsPerS) {
		s := 0.004 + (float64(i)+rng.Float64())/tapsPerS
		tap := math.Pow(10, -3*s/lastsS) * float64(1-2*rng.IntN(2))
		taps, at = append(taps, tap), append(at, int(s*float64(rateHz)))
		sum += tap * tap
	}
	k := math.Pow(10, overDB/20) / math.Sqrt(sum)
	for j, tap := range taps {
		gain := float32(tap * k)
		for i := at[j]; i < len(x); i++ {
			out[i] += gain * x[i-at[j]]
		}
	}
	// As loud as before: only the sound is to change.
	return times(out, math.Pow(10, (rmsDBFS(x)-rmsDBFS(out))/20))
}

// lowPassed cuts off everything over hz within a tenth of an octave.
func lowPassed(x []float32, rateHz int, hz float64) []float32 {
	half := int(30 * float64(rateHz) / hz)
	taps := make([]float32, 2*half+1)
	for i := range taps {
		d := float64(i - half)
		window := 0.42 + 0.5*math.Cos(math.Pi*d/float64(half)) + 0.08*math.Cos(2*math.Pi*d/float64(half))
		sinc := 2 * hz / float64(rateHz)
		if d != 0 {
			sinc = math.Sin(2*math.Pi*hz*d/float64(rateHz)) / (math.Pi * d)
		}
		taps[i] = float32(sinc * window)
	}
	out := make([]float32, len(x))
	for i := half; i+half < len(x); i++ {
		var sum float32
		for j, v := range x[i-half : i+half+1] {
			sum += v * taps[j]
		}
		out[i] = sum
	}
	return out
}

// at44100 is x at 44.1 kHz.
func at44100(x []float32, rateHz int) []float32 {
	var out []float32
	keep := func(b []float32) error { out = append(out, b...); return nil }
	c := resample.New(rateHz)
	if err := c.Write(x, keep); err != nil {
		panic(err) // keep never fails
	}
	if err := c.Close(keep); err != nil {
		panic(err)
	}
	return out
}

// knocked lays a ringing knock into the middle of up to six pauses.
func (g ground) knocked(dbfs, hz, decayS float64, rng *rand.Rand) *planted {
	x := copied(g.x)
	amplitude := g.finished(dbfs)
	p := &planted{}
	for _, pause := range spread(g.pauses(0.6), 6) {
		at := (pause.From+pause.To)/2 - g.frames(0.05) + rng.IntN(g.frames(0.1))
		for i := range g.frames(8 * decayS) {
			s := g.seconds(i)
			x[at+i] += float32(amplitude * math.Sin(2*math.Pi*hz*s) * math.Exp(-s/decayS))
		}
		p.places = append(p.places, place{g.seconds(at), g.seconds(at) + decayS})
	}
	p.channels = [][]float32{x}
	return p
}

// withPause makes the middle pause as long as given, in the room's own tone.
func (g ground) withPause(s float64) *planted {
	p := g.middlePause()
	more := g.frames(s) - (p.To - p.From)
	if more <= 0 {
		return nil
	}
	mid, fade := (p.From+p.To)/2, g.frames(0.02)
	x := joinedAcross(copied(g.x[:mid]), g.quiet(more+2*fade), fade)
	x = joinedAcross(x, g.x[mid:], fade)
	return &planted{channels: [][]float32{x}, places: []place{{g.seconds(p.From), g.seconds(p.To + more)}}}
}

// inWords are up to four loud places inside words, where a sound is in full swing.
func (g ground) inWords() []int {
	var out []int
	for _, s := range spread(g.sentences, 4) {
		out = append(out, g.loudest(made.Span{From: s.From, To: s.To - min(s.To-s.From-1, g.frames(0.25))}))
	}
	return out
}

// holed has at each loud place a hole of the given length, in which every sample
// is what `with` gives for the last one before it.
func (g ground) holed(ms float64, with func(last float32) float32) *planted {
	x := copied(g.x)
	p := &planted{}
	for _, at := range g.inWords() {
		n := max(1, g.frames(ms/1000))
		hold := with(x[at-1])
		for i := range n {
			x[at+i] = hold
		}
		p.places = append(p.places, place{g.seconds(at), g.seconds(at + n)})
	}
	p.channels = [][]float32{x}
	return p
}

// stuttered plays a block at each loud place twice, either over what follows or
// pushing it back.
func (g ground) stuttered(ms float64, push bool) *planted {
	p := &planted{}
	n := g.frames(ms / 1000)
	var x []float32
	from := 0
	for _, at := range g.inWords() {
		x = append(x, g.x[from:at+n]...)
		start := len(x) - n
		x = append(x, g.x[at:at+n]...)
		from = at + n
		if !push {
			from += n
		}
		p.places = append(p.places, place{g.seconds(start), g.seconds(start + 2*n)})
	}
	p.channels = [][]float32{append(x, g.x[from:]...)}
	return p
}

// speechNoise is noise with the envelope of x: each sample times a Gaussian
// number, as in the modulated noise reference unit of ITU-T P.810.
func speechNoise(x []float32, rng *rand.Rand) []float32 {
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = v * float32(rng.NormFloat64())
	}
	return out
}
