package layer3

import "math"

// A hybrid turns the spectra of one channel into subband samples.
type hybrid struct {
	overlap [32][18]float32 // second half of the granule before
	active  int             // subbands from here on have an overlap of 0
}

// granule fills slots, 18 times a sample for each of the 32 subbands. It changes
// the spectrum.
func (h *hybrid) granule(s *spectrum, g *granule, b *bands, slots *[18][32]float32) {
	plain := 0 // subbands that are as in a long block, whatever the rest is
	if g.mixed {
		plain = 2
	}
	unaliased := 32
	if g.block == short {
		unaliased = plain
		reorder(s, b, 18*plain)
	}
	active := (s.used + 17) / 18
	if unaliased > 0 && active > 0 {
		// Alias reduction reaches 8 lines into the next subband.
		active = min(active+1, 32)
		reduceAliases(&s.lines, min(active, unaliased))
	}
	for sb := range active {
		x := (*[18]float32)(s.lines[18*sb:])
		switch {
		case sb < plain:
			h.long(x, sb, long, slots)
		case g.block == short:
			h.short(x, sb, slots)
		default:
			h.long(x, sb, g.block, slots)
		}
	}
	for sb := active; sb < h.active; sb++ {
		o := &h.overlap[sb]
		for t := range slots {
			slots[t][sb] = o[t]
		}
		*o = [18]float32{}
	}
	if top := max(active, h.active); top < 32 {
		for t := range slots {
			clear(slots[t][top:])
		}
	}
	h.active = active
}

// reorder puts the lines of short blocks, which come window by window in each
// band, beside each other: three for each frequency.
func reorder(s *spectrum, b *bands, from int) {
	in := s.lines
	for i, edge := range b.shortEdges[:13] {
		at, width := 3*int(edge), int(b.shortEdges[i+1]-edge)
		if at < from {
			continue
		}
		if at >= s.used {
			break
		}
		for j := range width {
			s.lines[at+3*j] = in[at+j]
			s.lines[at+3*j+1] = in[at+width+j]
			s.lines[at+3*j+2] = in[at+2*width+j]
		}
		s.used = max(s.used, at+3*width)
	}
}

// aliases are the factors of the alias reduction butterflies, cs and ca
// (Table B.9).
var aliases = func() (table [8][2]float32) {
	for i, c := range [8]float64{-0.6, -0.535, -0.33, -0.185, -0.095, -0.041, -0.0142, -0.0037} {
		table[i] = [2]float32{float32(1 / math.Sqrt(1+c*c)), float32(c / math.Sqrt(1+c*c))}
	}
	return table
}()

// reduceAliases crosses the lines on both sides of the borders between so many
// subbands (§2.4.3.4).
func reduceAliases(x *[lines]float32, subbands int) {
	for sb := 1; sb < subbands; sb++ {
		below, above := (*[8]float32)(x[18*sb-8:]), (*[8]float32)(x[18*sb:])
		for i := range 8 {
			u, d := below[7-i], above[i]
			cs, ca := aliases[i][0], aliases[i][1]
			below[7-i] = u*cs - d*ca
			above[i] = d*cs + u*ca
		}
	}
}
