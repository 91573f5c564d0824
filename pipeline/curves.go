package pipeline

import (
	"math"

	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// mostColumns is how many columns the pictures of a chapter have at most: about as many
// points as a page is wide, and 3.2 kB in the report (our choice).
const mostColumns = 600

// columns collects the lowest and the highest sample of each column while the decoded
// samples pass. How many there will be is known from the plan, so it needs the same small
// memory for an hour as for a minute.
type columns struct {
	total, done int64
	at          int   // the column the next sample falls into
	end         int64 // the first sample behind it
	low, high   []float32
}

// newColumns divides a sound of some frames of 10 ms; a column is never shorter than one.
func newColumns(frames int) *columns {
	n := min(mostColumns, frames)
	c := &columns{total: int64(frames) * frameSamples, low: make([]float32, n), high: make([]float32, n)}
	c.open(0)
	return c
}

// open begins column i.
func (c *columns) open(i int) {
	c.at, c.end = i, int64(i+1)*c.total/int64(len(c.low))
	if i < len(c.low) {
		c.low[i], c.high[i] = float32(math.Inf(1)), float32(math.Inf(-1))
	}
}

// add takes the next samples of the only channel.
func (c *columns) add(mono [][]float32) {
	block := mono[0]
	for len(block) > 0 && c.at < len(c.low) {
		n := int(min(int64(len(block)), c.end-c.done))
		low, high := c.low[c.at], c.high[c.at]
		for _, x := range block[:n] {
			low, high = min(low, x), max(high, x)
		}
		c.low[c.at], c.high[c.at] = low, high
		block, c.done = block[n:], c.done+int64(n)
		if c.done == c.end {
			c.open(c.at + 1)
		}
	}
}

// tell puts the columns together with the loudness of the same samples and the gain that
// was planned for each frame. All samples must have passed.
func (c *columns) tell(heard *meter.Loudness, frameGainDB []float64, words []bool) *report.Curves {
	n := len(c.low)
	out := &report.Curves{
		ColumnS: float64(c.total) / float64(sampleRateHz*n),
		Low:     make([]byte, n), High: make([]byte, n), Loudness: make([]byte, n), GainDB: make([]byte, n),
	}
	gain := columnMeans(n, frameGainDB, words)
	for i := range n {
		out.Low[i], out.High[i] = inByte(float64(c.low[i])*127), inByte(float64(c.high[i])*127)
		out.Loudness[i] = loudnessByte(heard.ShortTermLUFS((float64(i) + 0.5) * out.ColumnS))
		out.GainDB[i] = inByte(gain[i] * 4)
	}
	return out
}

// inByte rounds to a whole number from -127 to 127, as two's complement.
func inByte(v float64) byte { return byte(int8(math.Round(clamp(v, -127, 127)))) }

// loudnessByte is a loudness in quarters of a LU under full scale, 255 for none.
func loudnessByte(l meter.DB) byte {
	if l.IsSilent() {
		return 255
	}
	return byte(math.Round(clamp(-4*float64(l), 0, 254)))
}

// columnMeans is the mean of each of n columns over its frames in which words are heard,
// or over all of them if there are none.
func columnMeans(n int, frames []float64, words []bool) []float64 {
	out := make([]float64, n)
	for i := range out {
		from, to := i*len(frames)/n, (i+1)*len(frames)/n
		var sum, all float64
		spoken := 0
		for k := from; k < to; k++ {
			all += frames[k]
			if words[k] {
				sum += frames[k]
				spoken++
			}
		}
		if spoken == 0 {
			sum, spoken = all, to-from
		}
		out[i] = sum / float64(spoken)
	}
	return out
}

// frameGainDB is what a plan makes of each frame against its raw, limiter left out.
func (p *Plan) frameGainDB() []float64 {
	out := make([]float64, len(p.GainDB)-1)
	for _, s := range p.Segments {
		for k := s.At; k < s.End(); k++ {
			out[k] = s.GainDB + float64(p.GainDB[k]+p.GainDB[k+1])/2 + p.OverallDB
		}
	}
	return out
}

// words marks the frames of phrases.
func (t *timeline) words() []bool {
	out := make([]bool, t.frames())
	for _, p := range t.phrases {
		for k := p.From; k < p.To; k++ {
			out[k] = true
		}
	}
	return out
}
