package made

import (
	"encoding/binary"
	"math"
)

// WAV16 returns a 16-bit PCM WAV file (RIFF/WAVE, tag 1), one slice a channel.
func WAV16(rateHz int, channels ...[]float32) []byte {
	b := header(rateHz, len(channels), len(channels[0]), 1, 16)
	for i := range channels[0] {
		for _, x := range channels {
			v := math.RoundToEven(float64(x[i]) * 32768)
			b = binary.LittleEndian.AppendUint16(b, uint16(int16(max(-32768, min(32767, v)))))
		}
	}
	return b
}

// WAVFloat returns a 32-bit float WAV file (tag 3).
func WAVFloat(rateHz int, channels ...[]float32) []byte {
	b := header(rateHz, len(channels), len(channels[0]), 3, 32)
	for i := range channels[0] {
		for _, x := range channels {
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(x[i]))
		}
	}
	return b
}

func header(rateHz, channels, frames int, tag uint16, bits int) []byte {
	le, block := binary.LittleEndian, channels*bits/8
	b := le.AppendUint32([]byte("RIFF"), uint32(36+frames*block))
	b = append(b, "WAVEfmt "...)
	b = le.AppendUint32(b, 16)
	b = le.AppendUint16(b, tag)
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rateHz))
	b = le.AppendUint32(b, uint32(rateHz*block))
	b = le.AppendUint16(b, uint16(block))
	b = le.AppendUint16(b, uint16(bits))
	b = append(b, "data"...)
	return le.AppendUint32(b, uint32(frames*block))
}
