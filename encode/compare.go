package encode

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
)

// compare decodes the file and holds it against the samples that were fed.
func compare(ctx context.Context, r io.ReaderAt, s Stream, w Written, fed Source, sink func([]float32) error) (*comparison, error) {
	d, err := NewDecoder(r, s)
	if err != nil {
		return nil, err
	}
	c := &comparison{worst: math.Inf(1)}
	in, out := make([]float32, samplesPerFrame), make([]float32, samplesPerFrame)
	for done := int64(0); done < w.Samples; {
		if ctx.Err() != nil {
			return nil, context.Cause(ctx)
		}
		n := int(min(samplesPerFrame, w.Samples-done))
		if k, err := fill(in[:n], fed); err != nil && (err != io.EOF || k < n) {
			return nil, fmt.Errorf("read the samples again, %d of %d: %w", done+int64(k), w.Samples, err)
		}
		for got := 0; got < n; {
			k, err := d.Read([][]float32{out[got:n]})
			if err != nil {
				return nil, fmt.Errorf("decode sample %d of %d: %w", done+int64(got), w.Samples, err)
			}
			got += k
		}
		if sink != nil {
			if err := sink(out[:n]); err != nil {
				return nil, err
			}
		}
		c.add(in[:n], out[:n])
		done += int64(n)
	}
	if n, err := fill(in[:1], fed); n != 0 || err != io.EOF {
		return nil, errors.New("the samples read again are more than were encoded")
	}
	if d.Silenced > 0 {
		return nil, fmt.Errorf("%d frames cannot be decoded", d.Silenced)
	}
	c.close(span{})
	return c, nil
}

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

// A span is one frame: mean squares of the fed samples and of the difference,
// and the largest of each.
type span struct {
	fed, diff         float64
	fedPeak, diffPeak float64
}

// add takes one frame of both.
func (c *comparison) add(fed, decoded []float32) {
	var s span
	for i, x := range fed {
		x, y := float64(min(1, max(-1, x))), float64(decoded[i])
		s.fed += x * x
		s.diff += (y - x) * (y - x)
		s.fedPeak = max(s.fedPeak, math.Abs(x))
		s.diffPeak = max(s.diffPeak, math.Abs(y-x))
		c.crossSum += x * y
		c.decodedPeak = max(c.decodedPeak, math.Abs(y))
	}
	n := float64(len(fed))
	c.samples += int64(len(fed))
	c.fedSum += s.fed
	c.errorSum += s.diff
	c.fedPeak = max(c.fedPeak, s.fedPeak)
	s.fed /= n
	s.diff /= n
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
