package speech

import "math"

// quantile returns the q quantile of sorted values by nearest rank.
func quantile(sorted []float32, q float64) float32 {
	return sorted[nearestRank(len(sorted), q)]
}

func nearestRank(n int, q float64) int { return int(math.Round(q * float64(n-1))) }

// heardQuantile returns the q quantile of smooth over the frames, so many, that are not
// digital silence. It halves the numbers it may be, since a sorted copy takes 1.4 MB an hour
// while most of the rest is in memory.
func (d *drawing) heardQuantile(heard int, q float64) float32 {
	rank := nearestRank(heard, q)
	low, high := uint32(0), uint32(math.MaxUint32) // in the order of inOrder
	for low < high {
		middle := low + (high-low)/2
		upTo := 0
		for i, v := range d.smooth {
			if inOrder(v) <= middle && d.f.Power[i] > 0 {
				upTo++
			}
		}
		if upTo > rank {
			high = middle
		} else {
			low = middle + 1
		}
	}
	return fromOrder(low)
}

// inOrder gives numbers that sort as the given ones do (IEEE 754: those with a sign the other
// way round); fromOrder turns them back.
func inOrder(v float32) uint32 {
	b := math.Float32bits(v)
	return b ^ (uint32(int32(b)>>31) | 1<<31)
}

func fromOrder(b uint32) float32 {
	return math.Float32frombits(b ^ (uint32(int32(^b)>>31) | 1<<31))
}
