package pipeline

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/internal/narrated"
)

// plantings are all faults, those of the recorder first.
func plantings() []planting {
	return slices.Concat(
		clippings(), hums(), lows(), channelFaults(), bumps(), pauseFaults(), roomFaults(), toneFaults(), gaps(), bandFaults(),
	)
}

func clippings() []planting {
	const hard = "Cutting off 3 dB of a peak lasts for a millisecond and more in each of a vowel's pulses and crackles; 1 dB is a few samples, which few hear."
	cut := func(kind, how string, finish func(x []float32, rng *rand.Rand) []float32) planting {
		return planting{
			kind: kind, how: how, unit: "dB of the peak cut off", strengths: []float64{0.25, 0.5, 1, 2, 3, 6, 10}, objects: 3, why: hard,
			plant: func(g ground, over float64, rng *rand.Rand) *planted {
				x, at := g.shouted(1, over)
				return &planted{channels: [][]float32{finish(clippedAt(x, 1), rng)}, places: at}
			},
		}
	}
	lower := func(db float64) func([]float32, *rand.Rand) []float32 {
		return func(x []float32, _ *rand.Rand) []float32 { return times(x, math.Pow(10, db/20)) }
	}
	return []planting{
		cut("clipped", "four shouts against full scale", lower(0)),
		cut("clipped_lowered", "then 1 dB softer", lower(-1)),
		cut("clipped_lowered", "then 6 dB softer", lower(-6)),
		cut("clipped_lowered", "then 15 dB softer", lower(-15)),
		cut("clipped_lowered", "then 6 dB softer with 16-bit dither", func(x []float32, rng *rand.Rand) []float32 {
			for i, v := range x {
				x[i] = v/2 + float32((rng.Float64()-rng.Float64())/32768)
			}
			return x
		}),
		{
			kind: "soft_clipped", how: "four shouts through a stage that bends (tanh)", unit: "dB of the peak pressed in",
			strengths: []float64{1, 2, 3, 6, 9, 12}, objects: 6,
			why: "At 6 dB the third harmonic of a tone at the peak is 14 % of it, a rough voice; at 3 dB 7 %, which speech mostly covers.",
			plant: func(g ground, pressed float64, _ *rand.Rand) *planted {
				drive := driveOf(pressed)
				x, at := g.shouted(1, 20*math.Log10(drive))
				for i, v := range x {
					x[i] = float32(0.9 * math.Tanh(float64(v)))
				}
				return &planted{channels: [][]float32{x}, places: at}
			},
		},
	}
}

// driveOf is how far a peak must stand over the bend for tanh to press it in by db.
func driveOf(db float64) float64 {
	drive := 0.1
	for 20*math.Log10(drive/math.Tanh(drive)) < db {
		drive += 0.01
	}
	return drive
}

func hums() []planting {
	hum := func(mains float64, harmonics int, objects float64, why string) planting {
		return planting{
			kind: "hum", how: fmt.Sprintf("%g Hz, tones: %d", mains, harmonics), unit: "dBFS in the finished file",
			strengths: []float64{-75, -70, -65, -60, -55, -50, -44, -38}, objects: objects, why: why,
			plant: func(g ground, dbfs float64, rng *rand.Rand) *planted {
				var power float64
				for k := range harmonics {
					power += math.Pow(10, -0.3*float64(k))
				}
				x := copied(g.x)
				for k := range harmonics {
					// Each harmonic 3 dB under the one before; the mains 0.04 % off, as they are.
					amplitude := g.finished(dbfs) * math.Sqrt2 * math.Sqrt(math.Pow(10, -0.3*float64(k))/power)
					w := 2 * math.Pi * mains * 1.0004 * float64(k+1) / float64(g.rateHz)
					phase := 2 * math.Pi * rng.Float64()
					for i := range x {
						x[i] += float32(amplitude * math.Sin(w*float64(i)+phase))
					}
				}
				return whole(x)
			},
		}
	}
	const many = "-55 dBFS is 33 dB SPL, of which the harmonics at 100 to 300 Hz stand 5 to 15 dB over the threshold in quiet (26 to 11 dB SPL)."
	return []planting{
		hum(50, 1, -38, "50 Hz alone is heard from 44 dB SPL (-44 dBFS) and objected to 6 dB over it."),
		hum(60, 1, -44, "60 Hz alone is heard from 38 dB SPL (-50 dBFS) and objected to 6 dB over it."),
		hum(50, 3, -55, many), hum(60, 3, -55, many), hum(50, 6, -55, many), hum(60, 6, -55, many),
	}
}

func lows() []planting {
	return []planting{
		{
			kind: "rumble", how: "noise of 12 to 50 Hz", unit: "dBFS in the finished file",
			strengths: []float64{-70, -65, -60, -55, -50, -45, -40, -35}, objects: -50,
			why: "Hardly heard (44 dB SPL at 50 Hz is -44 dBFS), but 10 dB over the usual limit for noise, and a loudspeaker's cone is seen to move.",
			plant: func(g ground, dbfs float64, rng *rand.Rand) *planted {
				return whole(plus(g.x, noiseBand(len(g.x), g.rateHz, 12, 50, g.finished(dbfs), rng)))
			},
		},
		{
			kind: "dc_offset", how: "constant", unit: "% of full scale", strengths: []float64{0.03, 0.1, 0.3, 1, 3}, objects: 0.3,
			why: "Not heard itself; a cut from it to true zero is a step of -50 dBFS, a tick in a quiet room.",
			plant: func(g ground, percent float64, _ *rand.Rand) *planted {
				x := copied(g.x)
				for i := range x {
					x[i] += float32(percent / 100)
				}
				return whole(x)
			},
		},
	}
}

func channelFaults() []planting {
	return []planting{
		{
			kind: "dead_channel", how: "one side holds only hiss", unit: "dB under the reading",
			strengths: []float64{15, 25, 40, 50, 60, 300}, objects: 40,
			why: "40 dB under the voice nothing is heard on that side while she speaks (a difference of 20 dB is wholly one-sided).",
			plant: func(g ground, under float64, rng *rand.Rand) *planted {
				return whole(g.x, noiseBand(len(g.x), g.rateHz, 50, 6000, g.rmsAmplitude()*math.Pow(10, -under/20), rng))
			},
		},
		{
			kind: "swapped_polarity", how: "one side turned over", unit: "dB that the voice loses in mono",
			strengths: []float64{3, 6, 10, 15, 25, 60}, objects: 10, why: "10 dB less is half as loud.",
			plant: func(g ground, loses float64, rng *rand.Rand) *planted {
				// (L + R) / 2 is half of what is unlike in them.
				unlike := times(speechNoise(g.x, rng), 2*math.Pow(10, -loses/20))
				return whole(g.x, plus(times(g.x, -1), unlike))
			},
		},
		{
			kind: "unlike_channels", how: "the other side holds partly other words", unit: "share of the same (correlation)",
			strengths: []float64{0.95, 0.85, 0.7, 0.5, 0.25, 0}, objects: 0.5,
			why: "From half on the other words are as loud as the own ones, 5 dB under them at the most.",
			plant: func(g ground, same float64, _ *rand.Rand) *planted {
				back := copied(g.x)
				slices.Reverse(back)
				return whole(g.x, plus(times(g.x, same), times(back, math.Sqrt(1-same*same))))
			},
		},
		{
			kind: "unlike_channels", how: "the other side comes from a second microphone", unit: "ms later",
			strengths: []float64{0.1, 0.3, 1, 3, 10}, objects: 1,
			why: "Mixed, a delay of 1 ms takes away 500, 1500, 2500 Hz: a hollow voice, as in a tube.",
			plant: func(g ground, ms float64, _ *rand.Rand) *planted {
				n := max(1, g.frames(ms/1000))
				return whole(g.x, append(make([]float32, n), g.x[:len(g.x)-n]...))
			},
		},
	}
}

func bumps() []planting {
	knock := func(kind string, hz, decayS, objects float64, why string) planting {
		return planting{
			kind: kind, how: fmt.Sprintf("%g Hz dying away in %g ms, in pauses", hz, 1000*decayS), unit: "dBFS peak in the finished file",
			strengths: []float64{-60, -54, -48, -44, -40, -36, -32, -28, -20}, objects: objects, why: why,
			plant: func(g ground, dbfs float64, rng *rand.Rand) *planted {
				if hz > 0.4*float64(g.rateHz) {
					return nil
				}
				return g.knocked(dbfs, hz, decayS, rng)
			},
		}
	}
	const click = "-40 dBFS is 48 dB SPL at its peak; so short a sound is about 20 dB harder to hear than a lasting one (its energy over 0.2 s), which leaves it 30 dB over the threshold, plain in a pause."
	const thump = "-36 dBFS is 52 dB SPL at its peak, some 15 dB over what is needed there to hear so short a low sound; loudness grows fast that low."
	return []planting{
		knock("click", 3000, 0.002, -40, click), knock("click", 1300, 0.004, -40, click), knock("click", 7000, 0.001, -40, click),
		knock("thump", 90, 0.06, -36, thump), knock("thump", 150, 0.04, -36, thump),
	}
}

func pauseFaults() []planting {
	return []planting{
		{
			kind: "long_pause", how: "of a reader whose own last up to 3 s", unit: "s", strengths: []float64{3, 4, 5, 6, 8, 12}, objects: 6,
			why: "Twice the longest of her own: a listener looks whether the player has stopped.", long: true,
			plant: func(g ground, s float64, _ *rand.Rand) *planted { return g.withPause(s) },
		},
		{
			kind: "tone_laid_in", how: "the recording begins too close to the first word", unit: "s missing",
			strengths: []float64{0.1, 0.2, 0.3, 0.5}, objects: 0.2,
			why:      "Nothing to hear if it is done well; but whatever is made up must be told.",
			mastered: true,
			plant: func(g ground, missing float64, _ *rand.Rand) *planted {
				x := g.x[g.sentences[0].From-g.frames(0.5-missing):]
				return &planted{channels: [][]float32{x}, places: []place{{0, missing}}}
			},
		},
		{
			kind: "tone_laid_in", how: "it ends too soon after the last word", unit: "s missing",
			strengths: []float64{0.2, 0.5, 1, 1.5, 2}, objects: 0.5,
			why:      "Nothing to hear if it is done well; but whatever is made up must be told.",
			mastered: true,
			plant: func(g ground, missing float64, _ *rand.Rand) *planted {
				last := g.sentences[len(g.sentences)-1].To
				first := g.sentences[0].From
				ends := g.seconds(last-first) + 0.5 + 2
				return &planted{channels: [][]float32{g.x[:last+g.frames(2-missing)]}, places: []place{{ends - missing, ends}}}
			},
		},
	}
}

func roomFaults() []planting {
	soft := func(how string, low, high float64) planting {
		return planting{
			kind: "speech_soft", how: how, unit: "dB over the room", strengths: []float64{45, 40, 35, 30, 25, 20, 15}, objects: 30,
			why: "At 30 dB the room has 38 dB SPL beside a voice of 68: twice as loud as a quiet living room at night (25 to 30), a rush under every sentence. At 35 it is about that room itself.",
			plant: func(g ground, over float64, rng *rand.Rand) *planted {
				return whole(plus(g.x, noiseBand(len(g.x), g.rateHz, low, high, g.finished(-20-over), rng)))
			},
		}
	}
	// change lays one room under the first half and another under the second.
	change := func(how, unit string, strengths []float64, objects float64, why string, rooms func(g ground, s float64, room []float32, half int) []float32) planting {
		return planting{
			kind: "room_change", how: how, unit: unit, strengths: strengths, objects: objects, why: why, long: true,
			plant: func(g ground, s float64, rng *rand.Rand) *planted {
				if g.roomDBFS() > -70 {
					return nil // its own room would cover the change
				}
				pause := g.middlePause()
				half := (pause.From + pause.To) / 2
				room := narrated.Room(rng.Uint64(), g.rateHz, len(g.x), 0)
				return &planted{
					channels: [][]float32{plus(g.x, rooms(g, s, room, half))},
					places:   []place{{g.seconds(half), g.seconds(half)}}, withinS: 10,
				}
			},
		}
	}
	steps := []float64{2, 3, 4, 6, 9, 12}
	const step = "A step of 3 dB in a steady sound is noticed by one who waits for it, 6 dB by anyone; the louder side has -58 dBFS, 30 dB SPL."
	stepped := func(g ground, room []float32, half int, first, second float64) []float32 {
		return append(times(room[:half], g.finished(first)), times(room[half:], g.finished(second))...)
	}
	return []planting{
		soft("noise of 50 to 2000 Hz", 50, 2000), soft("hiss of 500 to 7000 Hz", 500, 7000),
		change("it becomes louder", "dB", steps, 6, step, func(g ground, db float64, room []float32, half int) []float32 {
			return stepped(g, room, half, -58-db, -58)
		}),
		change("it becomes softer", "dB", steps, 6, step, func(g ground, db float64, room []float32, half int) []float32 {
			return stepped(g, room, half, -58, -58-db)
		}),
		change("its color tilts at 1 kHz while its level stays", "dB", []float64{3, 6, 9, 12, 18}, 9,
			"9 dB is the step from a rush to a hum, or back; it lies at -58 dBFS.",
			func(g ground, db float64, room []float32, half int) []float32 {
				tilted := func(x []float32, db float64) []float32 {
					x = shelf(g.rateHz, 1000, db, true).of(x)
					return times(x, g.finished(-58)/math.Pow(10, rmsDBFS(x)/20))
				}
				return append(tilted(room[:half], -db/2), tilted(room[half:], db/2)...)
			}),
	}
}

func toneFaults() []planting {
	change := func(how, unit string, strengths []float64, objects float64, why string, other func(g ground, words []float32, s float64, rng *rand.Rand) []float32) planting {
		return planting{
			kind: "tone_change", how: how, unit: unit, strengths: strengths, objects: objects, why: why, long: true,
			plant: func(g ground, s float64, rng *rand.Rand) *planted {
				pause := g.middlePause()
				half := (pause.From + pause.To) / 2
				x := append(copied(g.x[:half]), other(g, g.x[half:], s, rng)...)
				return &planted{channels: [][]float32{x}, places: []place{{g.seconds(half), g.seconds(half)}}, withinS: 10}
			},
		}
	}
	db := []float64{2, 3, 4.5, 6, 9, 12}
	const why = "3 dB over two octaves is heard side by side, 6 dB from one sentence to the next without waiting for it, as a hand turned before the mouth."
	shelved := func(hz, sign float64, high bool) func(ground, []float32, float64, *rand.Rand) []float32 {
		return func(g ground, words []float32, s float64, _ *rand.Rand) []float32 {
			return shelf(g.rateHz, hz, sign*s, high).of(words)
		}
	}
	return []planting{
		change("brighter over 2 kHz", "dB", db, 6, why, shelved(2000, 1, true)),
		change("duller over 2 kHz", "dB", db, 6, why, shelved(2000, -1, true)),
		change("fuller under 300 Hz", "dB", db, 6, why, shelved(300, 1, false)),
		change("thinner under 300 Hz", "dB", db, 6, why, shelved(300, -1, false)),
		change("the echo of a small room", "dB beside the direct sound", []float64{-20, -15, -10, -5, 0, 5}, 0,
			"As much echo as direct sound: she sits as far away as the room's critical distance, half a meter to one in a bedroom.",
			func(g ground, words []float32, s float64, rng *rand.Rand) []float32 {
				return echoed(words, g.rateHz, s, rng)
			}),
	}
}

func gaps() []planting {
	ms := []float64{0.5, 1, 2, 5, 10, 20, 50}
	const hole = "A gap in noise is heard from 2 to 3 ms, in a voice from about 5; its edges tick."
	const twice = "A jump every 10 ms or more is heard as a stutter; 2 ms is one pulse of the voice more."
	return []planting{
		{
			kind: "silence_inside", how: "complete silence in a pause of the reading", unit: "s", strengths: []float64{0.05, 0.1, 0.2, 0.4}, objects: 0.2,
			why: "A room that vanishes for a fifth of a second is heard as a hole where it is heard at all; 55 dB under the voice it hardly is.", mastered: true,
			plant: func(g ground, s float64, _ *rand.Rand) *planted {
				p := g.middlePause()
				from := (p.From+p.To)/2 - g.frames(s/2)
				x := copied(g.x)
				clear(x[from : from+g.frames(s)])
				// In the finished file the first word comes after 0.5 s.
				at := g.seconds(from-g.sentences[0].From) + 0.5
				return &planted{channels: [][]float32{x}, places: []place{{at, at + s}}}
			},
		},
		{
			kind: "drop_out", how: "zeros inside words", unit: "ms", strengths: ms, objects: 5, why: hole,
			plant: func(g ground, ms float64, _ *rand.Rand) *planted {
				return g.holed(ms, func(float32) float32 { return 0 })
			},
		},
		{
			kind: "drop_out", how: "one value held inside words", unit: "ms", strengths: ms, objects: 5, why: hole,
			plant: func(g ground, ms float64, _ *rand.Rand) *planted {
				return g.holed(ms, func(last float32) float32 { return last })
			},
		},
		{
			kind: "repeated", how: "a block laid over the next", unit: "ms", strengths: []float64{2, 5, 10, 20, 40, 80}, objects: 10, why: twice,
			plant: func(g ground, ms float64, _ *rand.Rand) *planted { return g.stuttered(ms, false) },
		},
		{
			kind: "repeated", how: "a block played twice, the rest pushed back", unit: "ms", strengths: []float64{2, 5, 10, 20, 40, 80}, objects: 10, why: twice,
			plant: func(g ground, ms float64, _ *rand.Rand) *planted { return g.stuttered(ms, true) },
		},
	}
}

func bandFaults() []planting {
	return []planting{{
		kind: "narrow_band", how: "cut off, in a file of 44.1 kHz", unit: "kHz", strengths: []float64{14, 12, 10, 8, 7, 5, 3.4}, objects: 8,
		why: "The hiss of an s lies between 5 and 10 kHz: without what is over 8 kHz a voice is dull beside one that has it. Over 10 kHz only young ears miss something.",
		plant: func(g ground, khz float64, _ *rand.Rand) *planted {
			if 1000*khz > 0.5*float64(g.rateHz) {
				return nil
			}
			x := g.x
			if g.rateHz < made.RateHz {
				x = at44100(x, g.rateHz)
			} else if g.rateHz != made.RateHz {
				return nil
			}
			if 1000*khz < 0.5*float64(g.rateHz) {
				x = lowPassed(x, made.RateHz, 1000*khz)
			}
			return &planted{rateHz: made.RateHz, channels: [][]float32{x}}
		},
	}}
}
