package narrated

import (
	"errors"
	"math"
	"slices"
	"testing"
)

func TestSentencesDiffer(t *testing.T) {
	teller, seen := NewTeller(1), map[string]bool{}
	const n = 5000
	for range n {
		seen[teller.Sentence()] = true
	}
	if len(seen) < n*8/10 {
		t.Errorf("%d of %d sentences differ, want four in five", len(seen), n)
	}
	if a, b := NewTeller(2).Sentence(), NewTeller(2).Sentence(); a != b {
		t.Errorf("one seed tells %q and %q", a, b)
	}
}

// TestReadings holds what tests rely on: the same seed gives the same samples, the
// level is as stated, and between the sentences there is nothing but breaths.
func TestReadings(t *testing.T) {
	for _, v := range Voices() {
		t.Run(v.Name, func(t *testing.T) {
			r, err := Read(t.Context(), 5, v, 30)
			if absent := new(AbsentError); errors.As(err, &absent) {
				t.Skip(absent.Error())
			}
			if err != nil {
				t.Fatal(err)
			}
			again, err := Read(t.Context(), 5, v, 30)
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(r.Words, again.Words) {
				t.Error("the same seed gives other samples")
			}
			if got := 10 * math.Log10(r.power()); math.Abs(got-RMSDBFS) > 0.01 {
				t.Errorf("the words have %.2f dBFS, want %g", got, RMSDBFS)
			}
			if s := float64(len(r.Words)) / float64(r.RateHz); s < 29 || s > 45 {
				t.Errorf("it lasts %.1f s, asked for were 30", s)
			}
			var peak float32
			for _, x := range r.Words {
				peak = max(peak, x, -x)
			}
			if peak >= 1 {
				t.Errorf("the peak is %.2f of full scale", peak)
			}
			quiet := slices.Clone(r.Words)
			for _, s := range slices.Concat(r.Sentences, r.Breaths) {
				clear(quiet[s.From:s.To])
			}
			if i := slices.IndexFunc(quiet, func(x float32) bool { return x != 0 }); i >= 0 {
				t.Errorf("at %.2f s there is sound in a pause", float64(i)/float64(r.RateHz))
			}
		})
	}
}

func TestRooms(t *testing.T) {
	const rate, n = 22050, 22050 * 4
	made := Room(3, rate, n, -70)
	if !slices.Equal(made, Room(3, rate, n, -70)) || slices.Equal(made, Room(4, rate, n, -70)) {
		t.Error("a seed must settle the room, and another give another")
	}
	looped := Looped(3, rate, n, [][]float32{made[:rate], made[rate : 2*rate]}, -60)
	for _, x := range []struct {
		name string
		room []float32
		dbfs float64
	}{{"made", made, -70}, {"looped", looped, -60}} {
		var sum float64
		for _, v := range x.room {
			sum += float64(v) * float64(v)
		}
		if got := 10 * math.Log10(sum/n); len(x.room) != n || math.Abs(got-x.dbfs) > 0.01 {
			t.Errorf("%s: %d samples of %.2f dBFS, want %d of %g", x.name, len(x.room), got, n, x.dbfs)
		}
		// In steps of half a second the level holds within 1.5 dB: no seam, no hole.
		for i := 0; i+rate/2 <= n; i += rate / 2 {
			var part float64
			for _, v := range x.room[i : i+rate/2] {
				part += float64(v) * float64(v)
			}
			if got := 10 * math.Log10(part/(rate/2)); math.Abs(got-x.dbfs) > 1.5 {
				t.Errorf("%s: %.1f dBFS at %.1f s, want %g", x.name, got, float64(i)/rate, x.dbfs)
			}
		}
	}
}
