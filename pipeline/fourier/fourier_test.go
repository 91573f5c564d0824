package fourier

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Every length that is in use, and the least few.
var lengths = []int{4, 8, 16, 32, 64, 512, 1024, 2048, 4096}

// A spectrum that changes in its last bit could move a level over a threshold, and with it
// an edit. Where the compiler fuses x*y + z the two may round differently.
func TestTheSameToTheLastBitAsGonum(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("on " + runtime.GOARCH + " the compiler may fuse what it does not in the other")
	}
	for _, n := range lengths {
		ours, theirs := New(n), fourier.NewFFT(n)
		for seed := range uint64(50) {
			x := noise(n, seed)
			coefficients := theirs.Coefficients(nil, x)
			got, want := ours.Forward(x), packed(coefficients)
			for i := range want {
				if got[i] != want[i] {
					t.Fatalf("%d samples: number %d of the spectrum is %v, not %v", n, i, got[i], want[i])
				}
			}
			for bin, c := range coefficients {
				if p := Power(got, bin); p != real(c)*real(c)+imag(c)*imag(c) {
					t.Fatalf("%d samples: the power of bin %d is %v", n, bin, p)
				}
			}
			back, sequence := ours.Back(want), theirs.Sequence(nil, coefficients)
			for i := range sequence {
				if back[i] != sequence[i] {
					t.Fatalf("%d samples: sample %d is %v, not %v", n, i, back[i], sequence[i])
				}
			}
		}
	}
}

// The definition itself, so that nothing but mathematics is relied on.
func TestForwardIsTheDefinition(t *testing.T) {
	for _, n := range lengths[:6] {
		x := noise(n, 1)
		got := New(n).Forward(x)
		for bin := range n/2 + 1 {
			var re, im float64
			for i, v := range x {
				sin, cos := math.Sincos(2 * math.Pi * float64(i*bin%n) / float64(n))
				re, im = re+v*cos, im-v*sin
			}
			if p := Power(got, bin); math.Abs(p-(re*re+im*im)) > 1e-9*float64(n) {
				t.Errorf("%d samples: the power of bin %d is %v, by the definition %v", n, bin, p, re*re+im*im)
			}
		}
	}
}

func TestPowerSumIsTheSumOfPowers(t *testing.T) {
	spectrum := New(512).Forward(noise(512, 3))
	want := 0.0
	for bin := 5; bin < 40; bin++ {
		want += Power(spectrum, bin)
	}
	if got := PowerSum(spectrum, 5, 40); got != want {
		t.Errorf("got %v, want %v", got, want)
	}
}

func packed(c []complex128) []float64 {
	out := []float64{real(c[0])}
	for _, v := range c[1 : len(c)-1] {
		out = append(out, real(v), imag(v))
	}
	return append(out, real(c[len(c)-1]))
}

func noise(n int, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 9))
	x := make([]float64, n)
	for i := range x {
		x[i] = r.Float64()*2 - 1
	}
	return x
}

func BenchmarkForward(b *testing.B) {
	for _, n := range lengths[5:] {
		x := noise(n, 1)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			t := New(n)
			b.ReportAllocs()
			for b.Loop() {
				t.Forward(x)
			}
		})
		b.Run(fmt.Sprint(n, "/gonum"), func(b *testing.B) {
			t, dst := fourier.NewFFT(n), make([]complex128, n/2+1)
			b.ReportAllocs()
			for b.Loop() {
				t.Coefficients(dst, x)
			}
		})
	}
}

func BenchmarkBack(b *testing.B) {
	spectrum := noise(512, 1)
	t := New(512)
	b.ReportAllocs()
	for b.Loop() {
		t.Back(spectrum)
	}
}
