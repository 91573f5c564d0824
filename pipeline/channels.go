package pipeline

import (
	"math"
	"slices"

	"lectern/pipeline/report"
)

// channelChoice says how a raw becomes mono.
type channelChoice int

const (
	// average: mono already, or both channels carry the same.
	average channelChoice = iota
	// onlyLeft, onlyRight: the other channel is empty.
	onlyLeft
	onlyRight
	// cancelLeft, cancelRight: mixed they would cancel; the better one is taken.
	cancelLeft
	cancelRight
	// unlikeLeft, unlikeRight: they hold different sounds; the better one is taken.
	unlikeLeft
	unlikeRight
)

// mix writes the mono samples of ch into dst, offset taken away.
func (c channelChoice) mix(dst []float32, ch [][]float32, offset float64) {
	off := float32(offset)
	if len(ch) == 2 && c == average {
		for i := range dst {
			dst[i] = (ch[0][i]+ch[1][i])/2 - off
		}
		return
	}
	x := ch[0]
	if c == onlyRight || c == cancelRight || c == unlikeRight {
		x = ch[1]
	}
	for i := range dst {
		dst[i] = x[i] - off
	}
}

func (c channelChoice) kind() string {
	switch c {
	case onlyLeft, onlyRight:
		return "dead_channel"
	case cancelLeft, cancelRight:
		return "swapped_polarity"
	case unlikeLeft, unlikeRight:
		return "unlike_channels"
	}
	return ""
}

// says is the sentence for the narrator, empty if there is nothing to say.
func (c channelChoice) says() string {
	switch c {
	case onlyLeft:
		return report.SaysDeadChannel("left")
	case onlyRight:
		return report.SaysDeadChannel("right")
	case cancelLeft:
		return report.SaysCancel("left")
	case cancelRight:
		return report.SaysCancel("right")
	case unlikeLeft:
		return report.SaysUnlike("left")
	case unlikeRight:
		return report.SaysUnlike("right")
	}
	return ""
}

// channelChooser gathers what the choice needs in one pass.
type channelChooser struct {
	channels   int
	n          float64
	sum        [2]float64
	square     [2]float64
	product    float64
	block      int // samples a block of 50 ms
	inBlock    int
	blockSum   [2]float64
	blockPower [2][]float32 // of each 50 ms, for the contrast of words and room
}

func newChannelChooser(channels, rateHz int) *channelChooser {
	return &channelChooser{channels: channels, block: rateHz / 20}
}

func (c *channelChooser) add(ch [][]float32) {
	c.n += float64(len(ch[0]))
	for k, x := range ch {
		var sum float64
		for _, v := range x {
			sum += float64(v)
		}
		c.sum[k] += sum
	}
	if c.channels == 1 {
		return
	}
	for i := range ch[0] {
		l, r := float64(ch[0][i]), float64(ch[1][i])
		c.blockSum[0] += l * l
		c.blockSum[1] += r * r
		c.product += l * r
		if c.inBlock++; c.inBlock == c.block {
			for k := range c.blockSum {
				c.square[k] += c.blockSum[k]
				c.blockPower[k] = append(c.blockPower[k], float32(c.blockSum[k]/float64(c.block)))
			}
			c.blockSum, c.inBlock = [2]float64{}, 0
		}
	}
}

const (
	// emptyDB is how far one channel must lie under the other to count as empty.
	emptyDB = 30.0
	// alike is the correlation from which two channels carry the same, and from
	// which, negative, they cancel (our choice).
	alike = 0.7
)

// choice returns how to mix and the constant offset of what comes out.
func (c *channelChooser) choice() (channelChoice, float64) {
	if c.channels == 1 {
		return average, c.sum[0] / c.n
	}
	var power [2]float64 // without the offset
	for k := range power {
		c.square[k] += c.blockSum[k]
		power[k] = c.square[k]/c.n - c.sum[k]/c.n*c.sum[k]/c.n
	}
	left, right := c.sum[0]/c.n, c.sum[1]/c.n
	covariance := c.product/c.n - left*right
	under := math.Pow(10, -emptyDB/10)
	switch {
	case power[1] <= power[0]*under:
		return onlyLeft, left
	case power[0] <= power[1]*under:
		return onlyRight, right
	}
	correlation := covariance / math.Sqrt(power[0]*power[1])
	leftBetter := c.contrast(0) >= c.contrast(1)
	switch {
	case correlation >= alike:
		return average, (left + right) / 2
	case correlation <= -alike && leftBetter:
		return cancelLeft, left
	case correlation <= -alike:
		return cancelRight, right
	case leftBetter:
		return unlikeLeft, left
	}
	return unlikeRight, right
}

// contrast is how many dB the loud parts of a channel stand over its soft ones,
// its offset taken away.
func (c *channelChooser) contrast(k int) float64 {
	p := slices.Clone(c.blockPower[k])
	offset := float32(c.sum[k] / c.n)
	for i := range p {
		p[i] = max(0, p[i]-offset*offset)
	}
	if len(p) == 0 {
		return 10 * math.Log10(c.square[k]+1e-20)
	}
	slices.Sort(p)
	loud, soft := float64(p[len(p)*9/10]), float64(p[len(p)/10])
	return 10 * math.Log10((loud+1e-12)/(soft+1e-12))
}
