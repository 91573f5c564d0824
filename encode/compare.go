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
	c.close(0)
	return c, nil
}

// A comparison adds up how far decoded samples lie from the fed ones, over the
// whole and for each frame.
type comparison struct {
	samples                    int64
	fedSum, crossSum, errorSum float64
	fedPeak, decodedPeak       float64
	frames                     int64
	worst                      float64 // lowest power ratio of a frame
	worstFrame                 int64
	before, current            float64 // fed mean squares of the last two frames
	currentError               float64
}

// add takes one frame of both.
func (c *comparison) add(fed, decoded []float32) {
	var ff, fd, ee float64
	for i, x := range fed {
		x, y := float64(min(1, max(-1, x))), float64(decoded[i])
		ff += x * x
		fd += x * y
		ee += (y - x) * (y - x)
		c.fedPeak = max(c.fedPeak, math.Abs(x))
		c.decodedPeak = max(c.decodedPeak, math.Abs(y))
	}
	n := float64(len(fed))
	c.samples += int64(len(fed))
	c.fedSum += ff
	c.crossSum += fd
	c.errorSum += ee
	c.close(ff / n)
	c.before, c.current, c.currentError = c.current, ff/n, ee/n
	c.frames++
}

// close judges the current frame, now that the fed power of the next is known.
// The encoder spreads an error over about a frame to each side, so a frame is
// held against the loudest of itself and its neighbors.
func (c *comparison) close(next float64) {
	if c.currentError <= math.Pow(10, errorFloorDBFS/10) {
		return
	}
	if ratio := max(c.before, c.current, next) / c.currentError; ratio < c.worst {
		c.worst, c.worstFrame = ratio, c.frames-1
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
		GainDB:     2 * powerDB(c.crossSum/c.fedSum),
	}
}

// judge returns an error if a figure is out of its bound.
func (p Proof) judge(kbps int) error {
	if p.WorstDB < minFrameSNRDB(kbps) {
		return fmt.Errorf("the sound at %.2f s is not what was fed: the difference is only %.1f dB below it", p.WorstAtS, p.WorstDB)
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
