package layer3

import "math"

// joint turns the spectra of a joint stereo granule into left and right
// (§2.4.3.4, ISO/IEC 13818-3 §2.4.3.2). s and ends are those of the right channel.
func joint(left, right *spectrum, k kind, g *granule, s *scalefactors, b *bands) {
	used := max(left.used, right.used)
	if !k.intensity {
		if k.midSide {
			midSide(left.lines[:used], right.lines[:used])
			left.used, right.used = used, used
		}
		return
	}
	ends, longBands := b.layout(g)
	bound := intensityBound(right, ends, longBands)
	from := 0
	for i, end := range ends {
		l, r := left.lines[from:end], right.lines[from:end]
		from = int(end)
		group := 0
		if i >= longBands {
			group = 1 + (i-longBands)%3
		}
		position := i
		if step := lastStep(i, len(ends), longBands); step > 0 {
			position = i - step // the last band has no position of its own
		}
		switch {
		case i >= bound[group] && !s.illegal[position]:
			spread(l, r, k, int(s.value[position]), g.scalefacCompress&1)
		case k.midSide:
			midSide(l, r)
		}
	}
	left.used, right.used = used, used
}

// lastStep is how far before band i the band lies whose position it takes: 1 for
// the last long band, 3 for the last short one of each window, otherwise 0.
func lastStep(i, bands, longBands int) int {
	switch {
	case longBands == bands && i == bands-1:
		return 1
	case longBands < bands && i >= bands-3:
		return 3
	}
	return 0
}

// intensityBound returns the first band of intensity, which is where the right
// channel is 0 from there on: [0] for long bands, [1] to [3] for the three windows
// of short ones. Long bands of a mixed block are only coded so if all short ones
// are.
func intensityBound(right *spectrum, ends []int16, longBands int) (bound [4]int) {
	from := 0
	for i, end := range ends {
		if from >= right.used {
			break
		}
		for _, v := range right.lines[from:end] {
			if v == 0 {
				continue
			}
			if i < longBands {
				bound[0] = i + 1
			} else {
				bound[0] = len(ends)
				bound[1+(i-longBands)%3] = i + 1
			}
			break
		}
		from = int(end)
	}
	return bound
}

func midSide(left, right []float32) {
	right = right[:len(left)]
	for i, m := range left {
		s := right[i]
		left[i], right[i] = (m+s)*(math.Sqrt2/2), (m-s)*(math.Sqrt2/2)
	}
}

// spread gives both channels their share of what is coded in the left one.
func spread(left, right []float32, k kind, position, scale int) {
	share := &sharesMPEG1[min(position, len(sharesMPEG1)-1)]
	if k.lsf {
		share = &sharesLSF[scale][position]
	}
	for i, v := range left {
		left[i], right[i] = v*share[0], v*share[1]
	}
}

// sharesMPEG1 holds for each position p the shares of left and right:
// r/(1+r) and 1/(1+r), with r = tan(p·π/12) (§2.4.3.4).
var sharesMPEG1 = func() (table [7][2]float32) {
	for p := range table {
		sin, cos := math.Sincos(float64(p) * math.Pi / 12)
		table[p] = [2]float32{float32(sin / (sin + cos)), float32(cos / (sin + cos))}
	}
	return table
}()

// sharesLSF is the same for MPEG-2, by intensity_scale: one of the two is
// lowered by 2^(-1/4) or 2^(-1/2) for every second position (ISO/IEC 13818-3
// §2.4.3.2).
var sharesLSF = func() (table [2][32][2]float32) {
	for scale := range table {
		for p := range table[scale] {
			lowered := float32(math.Exp2(-float64(1+scale) / 4 * float64((p+1)/2)))
			if p%2 == 1 {
				table[scale][p] = [2]float32{lowered, 1}
			} else {
				table[scale][p] = [2]float32{1, lowered}
			}
		}
	}
	return table
}()
