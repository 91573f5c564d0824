package findings

// Color is a spectrum in octaves, one level for each of OctaveHz in dB; nil if
// too little was heard.
type Color []float64

const (
	// leastRoomHops and leastVoiceHops are how much sound a color needs: half a
	// second of room, five of voice (our choice).
	leastRoomHops, leastVoiceHops = 5, 50
	// underVoiceDB is how far under the reading's level a hop may be and still
	// count as voice: less is a pause, or its room.
	underVoiceDB = 15.0
)

// roomColor is the middle level of the room in each octave, in dBFS.
func (c *conclusion) roomColor() Color {
	if len(c.roomHops) < leastRoomHops {
		return nil
	}
	return c.roomColorDBFS()
}

func (c *conclusion) roomColorDBFS() Color { return c.medianOf(c.roomHops) }

func (c *conclusion) medianOf(hops []int) Color {
	out := make(Color, len(OctaveHz))
	values := make([]float64, len(hops))
	for b := range out {
		for i, h := range hops {
			values[i] = float64(c.octaves[h][b]) / 100
		}
		out[b] = median(values)
		if len(hops) == 0 {
			out[b] = silentDB
		}
	}
	return out
}

// voiceColor is the mean power of the voice in each octave, relative to all
// octaves from 125 Hz up together, in dB.
func (c *conclusion) voiceColor() Color {
	hops := c.voiceHops()
	if len(hops) < leastVoiceHops {
		return nil
	}
	return c.relativeColor(hops)
}

// relativeColor is the mean power over hops, relative to all octaves from 125 Hz
// up together.
func (c *conclusion) relativeColor(hops []int) Color {
	out := make(Color, len(OctaveHz))
	var all float64
	for b := range out {
		for _, h := range hops {
			out[b] += powerOf(float64(c.octaves[h][b]) / 100)
		}
		if b > 0 {
			all += out[b]
		}
	}
	for b := range out {
		out[b] = decibels(out[b]) - decibels(all)
	}
	return out
}

// voiceHops are the hops within phrases that are not much softer than the reading.
func (c *conclusion) voiceHops() []int {
	var out []int
	for _, p := range c.m.Phrases {
		for h := (p.From + hopFrames - 1) / hopFrames; h*hopFrames+octaveFrames <= p.To && h < len(c.octaves); h++ {
			if c.hopDB(h) >= c.voiceDBFS-underVoiceDB {
				out = append(out, h)
			}
		}
	}
	return out
}

// hopDB is the level of a hop from 125 Hz up.
func (c *conclusion) hopDB(h int) float64 {
	var sum float64
	for _, o := range c.octaves[h][1:] {
		sum += powerOf(float64(o) / 100)
	}
	return decibels(sum)
}

// meanOf is the mean of the dB of each octave. What colors a voice all along, as a
// microphone does, adds the same to each hop, and the mean of dB scatters less than
// that of power, which the few loudest sounds make.
func (c *conclusion) meanOf(hops []int) Color {
	out := make(Color, len(OctaveHz))
	for b := range out {
		for _, h := range hops {
			out[b] += float64(c.octaves[h][b]) / 100 / float64(len(hops))
		}
	}
	return out
}
