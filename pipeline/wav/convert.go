package wav

import (
	"encoding/binary"
	"math"
)

// A convert fills dst with every stride-th sample of src, full scale 1.0, and
// returns how many were not finite (each becomes 0).
type convert func(dst []float32, src []byte, stride int) (nonFinite int64)

// converter picks the conversion for a sample format. Integer samples are
// left-justified in their container (WAVEFORMATEXTENSIBLE), so the container's
// width alone sets the scale, however many bits of it are valid.
func converter(info Info) convert {
	switch {
	case info.Float && info.ContainerBits == 64:
		return fromFloat64
	case info.Float:
		return fromFloat32
	case info.ContainerBits == 8:
		return fromUint8
	case info.ContainerBits == 16:
		return fromInt16
	case info.ContainerBits == 24:
		return fromInt24
	}
	return fromInt32
}

// fromUint8 reads the one width that WAV stores unsigned, silence at 128.
func fromUint8(dst []float32, src []byte, stride int) int64 {
	for i := range dst {
		dst[i] = float32(int(src[i*stride])-128) / (1 << 7)
	}
	return 0
}

func fromInt16(dst []float32, src []byte, stride int) int64 {
	for i := range dst {
		dst[i] = float32(int16(binary.LittleEndian.Uint16(src[i*stride:]))) / (1 << 15)
	}
	return 0
}

func fromInt24(dst []float32, src []byte, stride int) int64 {
	for i := range dst {
		b := src[i*stride : i*stride+3]
		// Placed in the upper three bytes, so that the sign comes along.
		v := int32(uint32(b[0])<<8 | uint32(b[1])<<16 | uint32(b[2])<<24)
		dst[i] = float32(v) / (1 << 31)
	}
	return 0
}

func fromInt32(dst []float32, src []byte, stride int) int64 {
	for i := range dst {
		dst[i] = float32(int32(binary.LittleEndian.Uint32(src[i*stride:]))) / (1 << 31)
	}
	return 0
}

func fromFloat32(dst []float32, src []byte, stride int) (nonFinite int64) {
	for i := range dst {
		v := math.Float32frombits(binary.LittleEndian.Uint32(src[i*stride:]))
		if !finite(v) {
			v = 0
			nonFinite++
		}
		dst[i] = v
	}
	return nonFinite
}

func fromFloat64(dst []float32, src []byte, stride int) (nonFinite int64) {
	for i := range dst {
		v := float32(math.Float64frombits(binary.LittleEndian.Uint64(src[i*stride:])))
		if !finite(v) {
			v = 0
			nonFinite++
		}
		dst[i] = v
	}
	return nonFinite
}

// finite is false for NaN too, whose difference from itself is NaN.
func finite(v float32) bool { return v-v == 0 }
