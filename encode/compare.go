package encode

import (
	"fmt"
	"math"
)

// A comparison adds up how far decoded samples lie from the fed ones, over the
// whole and for each frame.
type comparison struct {
	samples                    int64
	fedSum, crossSum, errorSum float64
	fedPeak, decodedPeak       float64

	before, current span // the last two frames added
	frames          int64
	worst           float64 // lowest power ratio of a frame
	worstFrame      int64
	off             float64 // largest part a sample is off
	offFrame        int64
}

// A span is one frame: mean squares of the fed samples and of the difference, and the
// largest of each; then what only the whole needs.
type span struct {
	fed, diff         float64
	fedPeak, diffPeak float64

	samples       int
	fedSum, cross float64
	diffSum       float64
	decodedPeak   float64
}

// newSpan compares one frame.
func newSpan(fed, decoded []float32) span {
	s := span{samples: len(fed)}
	decoded = decoded[:len(fed)]
	var fedPeak, diffPeak, decodedPeak float64
	for i, x := range fed {
		x, y := float64(x), float64(decoded[i])
		if x > 1 {
			x = 1
		} else if x < -1 {
			x = -1
		}
		d := y - x
		s.fedSum += x * x
		s.diffSum += d * d
		s.cross += x * y
		// Far faster than max, which heeds signs of 0.
		if a := math.Abs(x); a > fedPeak {
			fedPeak = a
		}
		if a := math.Abs(d); a > diffPeak {
			diffPeak = a
		}
		if a := math.Abs(y); a > decodedPeak {
			decodedPeak = a
		}
	}
	s.fedPeak, s.diffPeak, s.decodedPeak = fedPeak, diffPeak, decodedPeak
	s.fed, s.diff = s.fedSum/float64(s.samples), s.diffSum/float64(s.samples)
	return s
}

// add takes one frame.
func (c *comparison) add(s span) {
	c.samples += int64(s.samples)
	c.fedSum += s.fedSum
	c.crossSum += s.cross
	c.errorSum += s.diffSum
	c.fedPeak = max(c.fedPeak, s.fedPeak)
	c.decodedPeak = max(c.decodedPeak, s.decodedPeak)
	c.close(s)
	c.before, c.current = c.current, s
	c.frames++
}

// close judges the current frame, now that the one after it is known. The
// encoder spreads a difference over about a frame to each side, so a frame is
// held against the loudest of itself and its neighbors.
func (c *comparison) close(next span) {
	s := c.current
	if s.diff <= math.Pow(10, errorFloorDBFS/10) {
		return
	}
	if ratio := max(c.before.fed, s.fed, next.fed) / s.diff; ratio < c.worst {
		c.worst, c.worstFrame = ratio, c.frames-1
	}
	if part := s.diffPeak / max(c.before.fedPeak, s.fedPeak, next.fedPeak); part > c.off {
		c.off, c.offFrame = part, c.frames-1
	}
}

// proof turns the sums into figures.
func (c *comparison) proof(s Stream) Proof {
	return Proof{
		Stream:     s,
		SNRDB:      powerDB(c.fedSum / c.errorSum),
		ErrorDBFS:  powerDB(c.errorSum / float64(c.samples)),
		FedDBFS:    powerDB(c.fedSum / float64(c.samples)),
		PeakMoveDB: 2 * powerDB(c.decodedPeak/c.fedPeak),
		WorstDB:    powerDB(c.worst),
		WorstAtS:   float64(c.worstFrame) * samplesPerFrame / sampleRateHz,
		OffPart:    c.off,
		OffAtS:     float64(c.offFrame) * samplesPerFrame / sampleRateHz,
		GainDB:     2 * powerDB(c.crossSum/c.fedSum),
	}
}

// judge returns an error if a figure is out of its bound.
func (p Proof) judge(kbps int) error {
	if p.WorstDB < minFrameSNRDB(kbps) {
		return fmt.Errorf("the sound at %.2f s is not what was fed: the difference is only %.1f dB below it", p.WorstAtS, p.WorstDB)
	}
	if p.OffPart > maxOffPart(kbps) {
		return fmt.Errorf("the sound at %.2f s is not what was fed: a sample is off by %.0f %% of the largest", p.OffAtS, 100*p.OffPart)
	}
	// What the encoder leaves out is missing from the gain as well; it shows in
	// the SNR. In a sound near the steps of 16 bits no gain can be told.
	bound := math.Pow(10, maxGainDB/20) - 1 + math.Pow(10, -p.SNRDB/10)
	if p.FedDBFS > errorFloorDBFS+20 && !(math.Abs(math.Pow(10, p.GainDB/20)-1) <= bound) {
		return fmt.Errorf("the sound is %+.2f dB off what was fed", p.GainDB)
	}
	return nil
}

// powerDB converts a ratio of powers to dB.
func powerDB(ratio float64) float64 { return 10 * math.Log10(ratio) }
