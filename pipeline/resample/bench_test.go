package resample

import (
	"fmt"
	"math"
	"testing"
)

func BenchmarkConvert(b *testing.B) {
	for _, hz := range []int{8000, 22050, 32000, 47999, 48000, 88200, 96000, 176400, 192000} {
		b.Run(fmt.Sprint(hz), func(b *testing.B) {
			second := make([]float32, hz)
			for i := range second {
				second[i] = float32(0.5 * math.Sin(2*math.Pi*997*float64(i)/float64(hz)))
			}
			c := New(hz)
			for b.Loop() {
				if err := c.Write(second, func([]float32) error { return nil }); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "x_real_time")
		})
	}
}
