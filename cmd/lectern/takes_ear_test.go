package main

import (
	"fmt"
	"math"
	"os"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"lectern/encode"
)

// The ear: it finds the sentences of a script in a finished recording by comparing the
// log energies of bands with those of a clean reading, and knows nothing of how the
// recording was put together. All numbers are our choice.
const (
	earBands   = 14
	earLowHz   = 150.0
	earHighHz  = 5500.0
	earSteps   = 25   // a second
	earFloorDB = -45. // under the loudest band: softer counts as this
	// speechDB is how far under the loud moments there still is speech.
	speechDB = -30.0
	// alike is the least correlation of a sentence, alikePart that of a quarter of it.
	alike, alikePart = 0.7, 0.5
	// mostLeftS is the most speech that may belong to no sentence.
	mostLeftS = 0.2
)

// heard is a sound as the ear hears it: the energies of bands 25 times a second, in dB.
type heard struct {
	bands [][earBands]float64
	power []float64 // of all bands, in dB
}

// hear takes a sound of any rate that is a multiple of 25.
func hear(samples []float64, rateHz int) heard {
	hop := rateHz / earSteps
	size := 1024
	if rateHz > 2*voiceRateHz-1 {
		size = 2048 // as long in time
	}
	fft := fourier.NewFFT(size)
	window := make([]float64, size)
	for i := range window {
		window[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(size))
	}
	var h heard
	block := make([]float64, size)
	var coeffs []complex128
	binHz := float64(rateHz) / float64(size)
	most := 0.0
	for at := 0; at+size <= len(samples); at += hop {
		for i := range block {
			block[i] = window[i] * samples[at+i]
		}
		coeffs = fft.Coefficients(coeffs, block)
		var bands [earBands]float64
		sum := 0.0
		for k := int(earLowHz / binHz); float64(k)*binHz < earHighHz; k++ {
			b := int(earBands * math.Log(float64(k)*binHz/earLowHz) / math.Log(earHighHz/earLowHz))
			p := real(coeffs[k])*real(coeffs[k]) + imag(coeffs[k])*imag(coeffs[k])
			bands[min(max(b, 0), earBands-1)] += p
			sum += p
		}
		for _, p := range bands {
			most = max(most, p)
		}
		h.bands, h.power = append(h.bands, bands), append(h.power, sum)
	}
	floor := most * math.Pow(10, earFloorDB/10)
	for i := range h.bands {
		for b, p := range h.bands[i] {
			h.bands[i][b] = 10 * math.Log10(p+floor)
		}
		h.power[i] = 10 * math.Log10(h.power[i]+floor)
	}
	return h
}

// place is where a sentence was heard, in the ear's steps.
type place struct {
	from, to int
	alike    float64
	part     float64 // of the least like quarter
}

// find returns where a sentence is most like a stretch of h, up to 14 % faster or slower.
func (h heard) find(sentence heard) place {
	// sums[b][i] is that of band b over the first i steps, squares[i] that of all squares.
	var sums [earBands][]float64
	squares := make([]float64, len(h.bands)+1)
	for b := range sums {
		sums[b] = make([]float64, len(h.bands)+1)
	}
	for i, bands := range h.bands {
		squares[i+1] = squares[i]
		for b, v := range bands {
			sums[b][i+1] = sums[b][i] + v
			squares[i+1] += v * v
		}
	}
	best, bestShape := place{}, [][earBands]float64(nil)
	for stretch := 0.86; stretch < 1.15; stretch += 0.02 {
		n := int(stretch * float64(len(sentence.bands)))
		shape, norm := sentence.stretched(n)
		for at := 0; at+n <= len(h.bands); at++ {
			spread := squares[at+n] - squares[at]
			for b := range sums {
				s := sums[b][at+n] - sums[b][at]
				spread -= s * s / float64(n)
			}
			dot := 0.0
			for i, bands := range shape {
				x := &h.bands[at+i]
				for b := range bands {
					dot += bands[b] * x[b]
				}
			}
			if a := dot / (norm * math.Sqrt(spread)); a > best.alike {
				best, bestShape = place{from: at, to: at + n, alike: a}, shape
			}
		}
	}
	best.part = h.leastPart(best, bestShape)
	return best
}

// leastPart is how like the least like quarter of a sentence at its place is.
func (h heard) leastPart(p place, shape [][earBands]float64) float64 {
	least := 1.0
	for q := range 4 {
		from, to := q*len(shape)/4, (q+1)*len(shape)/4
		a := centered(shape[from:to])
		most := 0.0
		for shift := -3; shift <= 3; shift++ { // a word may come a little early or late
			at := p.from + from + shift
			if at < 0 || at+to-from > len(h.bands) {
				continue
			}
			b := centered(h.bands[at : at+to-from])
			var ab, aa, bb float64
			for i := range a {
				for k := range a[i] {
					ab, aa, bb = ab+a[i][k]*b[i][k], aa+a[i][k]*a[i][k], bb+b[i][k]*b[i][k]
				}
			}
			most = max(most, ab/math.Sqrt(aa*bb))
		}
		least = min(least, most)
	}
	return least
}

// stretched returns a sentence n steps long, each band about its mean, and its norm.
func (h heard) stretched(n int) (shape [][earBands]float64, norm float64) {
	shape = make([][earBands]float64, n)
	for i := range shape {
		at := float64(i) * float64(len(h.bands)-1) / float64(n-1)
		k := min(int(at), len(h.bands)-2)
		for b := range shape[i] {
			shape[i][b] = h.bands[k][b] + (at-float64(k))*(h.bands[k+1][b]-h.bands[k][b])
		}
	}
	shape = centered(shape)
	for _, bands := range shape {
		for _, v := range bands {
			norm += v * v
		}
	}
	return shape, math.Sqrt(norm)
}

// centered takes each band about its mean.
func centered(bands [][earBands]float64) [][earBands]float64 {
	var mean [earBands]float64
	for _, x := range bands {
		for b, v := range x {
			mean[b] += v / float64(len(bands))
		}
	}
	out := make([][earBands]float64, len(bands))
	for i, x := range bands {
		for b, v := range x {
			out[i][b] = v - mean[b]
		}
	}
	return out
}

// wrong returns what is wrong with a recording that should be the reading of a script:
// each sentence once, whole, in order, and nothing else said.
func (h heard) wrong(script []heard) (problems []string, places []place) {
	said := make([]bool, len(h.bands))
	last := 0
	const blur = earSteps / 10 // the window reaches over the edges of words
	for n, sentence := range script {
		p := h.find(sentence)
		places = append(places, p)
		switch {
		case p.alike < alike || p.part < alikePart:
			problems = append(problems, fmt.Sprintf("sentence %d is not there whole: %.2f alike, its least like quarter %.2f", n+1, p.alike, p.part))
			continue
		case p.from < last-blur:
			problems = append(problems, fmt.Sprintf("sentence %d comes at %.1f s, before the end of another", n+1, seconds(p.from)))
		}
		last = max(last, p.to)
		for i := max(0, p.from-blur); i < min(len(said), p.to+blur); i++ {
			said[i] = true
		}
	}
	loud := h.loud()
	for i := 0; i < len(said); i++ {
		from := i
		for i < len(said) && !said[i] && h.power[i] > loud+speechDB {
			i++
		}
		if seconds(i-from) > mostLeftS {
			problems = append(problems, fmt.Sprintf("something else is said from %.1f to %.1f s", seconds(from), seconds(i)))
		}
	}
	return problems, places
}

// loud is the power of the loudest step.
func (h heard) loud() float64 {
	most := math.Inf(-1)
	for _, p := range h.power {
		most = max(most, p)
	}
	return most
}

func seconds(steps int) float64 { return float64(steps) / earSteps }

// without leaves out some of what is heard.
func (h heard) without(fromS, toS float64) heard {
	from, to := int(fromS*earSteps), int(toS*earSteps)
	return heard{
		append(append([][earBands]float64(nil), h.bands[:from]...), h.bands[to:]...),
		append(append([]float64(nil), h.power[:from]...), h.power[to:]...),
	}
}

// with puts something in.
func (h heard) with(atS float64, other heard) heard {
	at := int(atS * earSteps)
	return heard{
		append(append(append([][earBands]float64(nil), h.bands[:at]...), other.bands...), h.bands[at:]...),
		append(append(append([]float64(nil), h.power[:at]...), other.power...), h.power[at:]...),
	}
}

// between is a part of what is heard.
func (h heard) between(fromS, toS float64) heard {
	from, to := int(fromS*earSteps), int(toS*earSteps)
	return heard{h.bands[from:to], h.power[from:to]}
}

// readScript is a clean reading of a script by the usual voice, a sentence each.
func readScript(t *testing.T, text []string) (out []heard) {
	t.Helper()
	for _, sentence := range text {
		out = append(out, hear(speak(t, usual, sentence), voiceRateHz))
	}
	return out
}

const finishedRateHz = 44100

// decoded returns the samples of a finished MP3, full scale 1.
func decoded(t *testing.T, path string) []float64 {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	stream, err := encode.Walk(f, st.Size())
	if err != nil {
		t.Fatal(err)
	}
	d, err := encode.NewDecoder(f, stream)
	if err != nil || d.Channels() != 1 || stream.SampleRateHz != finishedRateHz {
		t.Fatalf("%s: %v, %d channels, %d Hz", path, err, stream.Channels, stream.SampleRateHz)
	}
	out := make([]float64, 0, stream.Samples)
	block := [][]float32{make([]float32, 4096)}
	for int64(len(out)) < stream.Samples {
		n, err := d.Read(block)
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range block[0][:n] {
			out = append(out, float64(v))
		}
	}
	return out
}
