package wav

import (
	"encoding/binary"
	"fmt"
	"math"
	"testing"
)

// storeInt writes x, full scale 1.0, with valid bits at the top of a container
// of container bits, and returns the value the specification gives it.
func storeInt(b []byte, x float64, container, valid int) ([]byte, float32) {
	full := float64(int64(1) << (valid - 1))
	code := int64(math.Round(x * full))
	code = min(max(code, -int64(full)), int64(full)-1)
	want := float32(float64(code) / full)
	code <<= container - valid
	if container == 8 {
		code += 128
	}
	for i := range container / 8 {
		b = append(b, byte(code>>(8*i)))
	}
	return b, want
}

func storeFloat(b []byte, x float64, container int) ([]byte, float32) {
	if container == 32 {
		return binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(x))), float32(x)
	}
	return binary.LittleEndian.AppendUint64(b, math.Float64bits(x)), float32(x)
}

// Every format, mono and stereo: a 0.5 sine (left) and a 0.25 cosine (right)
// with both ends of full scale in front. The tolerance is none: each value has
// one right float32.
func TestReadFormats(t *testing.T) {
	tests := []struct {
		name             string
		float, ext       bool
		container, valid int
		bits             int // in the header
		format           string
	}{
		{name: "8-bit unsigned", container: 8, valid: 8, bits: 8, format: "WAV 8-bit 48 kHz"},
		{name: "16-bit", container: 16, valid: 16, bits: 16, format: "WAV 16-bit 48 kHz"},
		{name: "12 in 16 extensible", ext: true, container: 16, valid: 12, bits: 16, format: "WAV 12-bit 48 kHz"},
		{name: "12 in 16 plain", container: 16, valid: 12, bits: 12, format: "WAV 12-bit 48 kHz"},
		{name: "20 in 24 plain", container: 24, valid: 20, bits: 20, format: "WAV 20-bit 48 kHz"},
		{name: "20 in 24 extensible", ext: true, container: 24, valid: 20, bits: 24, format: "WAV 20-bit 48 kHz"},
		{name: "24-bit", container: 24, valid: 24, bits: 24, format: "WAV 24-bit 48 kHz"},
		{name: "24-bit extensible", ext: true, container: 24, valid: 24, bits: 24, format: "WAV 24-bit 48 kHz"},
		{name: "24 in 32 plain", container: 32, valid: 24, bits: 24, format: "WAV 24-bit 48 kHz"},
		{name: "24 in 32 extensible", ext: true, container: 32, valid: 24, bits: 32, format: "WAV 24-bit 48 kHz"},
		{name: "32-bit", container: 32, valid: 32, bits: 32, format: "WAV 32-bit 48 kHz"},
		{name: "32-bit float", float: true, container: 32, valid: 32, bits: 32, format: "WAV 32-bit float 48 kHz"},
		{name: "32-bit float extensible", float: true, ext: true, container: 32, valid: 32, bits: 32, format: "WAV 32-bit float 48 kHz"},
		{name: "64-bit float", float: true, container: 64, valid: 64, bits: 64, format: "WAV 64-bit float 48 kHz"},
		{name: "64-bit float extensible", float: true, ext: true, container: 64, valid: 64, bits: 64, format: "WAV 64-bit float 48 kHz"},
	}
	for _, tt := range tests {
		for channels := 1; channels <= 2; channels++ {
			t.Run(fmt.Sprintf("%s %dch", tt.name, channels), func(t *testing.T) {
				signal := [][]float64{
					append([]float64{-1, 1, 0, 1.0 / 128}, sine(0.5, 0, 3001)...),
					append([]float64{1, -1, 0, -1.0 / 128}, sine(0.25, math.Pi/2, 3001)...),
				}
				var data []byte
				want := make([][]float32, channels)
				for i := range signal[0] {
					for ch := range channels {
						var w float32
						if tt.float {
							data, w = storeFloat(data, signal[ch][i], tt.container)
						} else {
							data, w = storeInt(data, signal[ch][i], tt.container, tt.valid)
						}
						want[ch] = append(want[ch], w)
					}
				}
				tag := uint16(1)
				if tt.float {
					tag = 3
				}
				head := fmtPart(tag, channels, 48000, channels*tt.container/8, tt.bits)
				if tt.ext {
					head = extPart(tag, channels, 48000, tt.container, tt.valid)
				}
				info, got := readAll(t, riffOf("RIFF", head, part{id: "data", body: data}))
				for ch := range channels {
					equalSamples(t, got[ch], want[ch])
				}
				name := tt.format + " " + [...]string{"mono", "stereo"}[channels-1]
				if info.Format() != name {
					t.Errorf("Format() = %q, want %q", info.Format(), name)
				}
				if info.ContainerBits != tt.container || info.ValidBits != tt.valid || info.Float != tt.float || len(info.Notes) != 0 {
					t.Errorf("info = %+v", info)
				}
				if d := info.DurationS(); d != 3005.0/48000 {
					t.Errorf("DurationS() = %v", d)
				}
			})
		}
	}
}

// The anchors a conversion error cannot slip past: known bytes, known values.
func TestKnownSamples(t *testing.T) {
	tests := []struct {
		name string
		head part
		data []byte
		want float32
	}{
		{"8-bit silence", fmtPart(1, 1, 8000, 1, 8), []byte{0x80}, 0},
		{"8-bit lowest", fmtPart(1, 1, 8000, 1, 8), []byte{0x00}, -1},
		{"16-bit highest", pcm16(), []byte{0xFF, 0x7F}, 32767.0 / 32768},
		{"24-bit minus one step", fmtPart(1, 1, 48000, 3, 24), []byte{0xFF, 0xFF, 0xFF}, -1.0 / (1 << 23)},
		{"24 in 32 half scale", extPart(1, 1, 48000, 32, 24), []byte{0x00, 0x00, 0x00, 0x40}, 0.5},
		{"32-bit lowest", fmtPart(1, 1, 48000, 4, 32), []byte{0x00, 0x00, 0x00, 0x80}, -1},
		{"float above full scale", fmtPart(3, 1, 48000, 4, 32), []byte{0x00, 0x00, 0xC0, 0x3F}, 1.5},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, got := readAll(t, riffOf("RIFF", tt.head, part{id: "data", body: tt.data}))
			equalSamples(t, got[0], []float32{tt.want})
		})
	}
}

// Samples that are no numbers become silence and are counted, and a 64-bit
// value too large for float32 is one of them.
func TestNonFiniteSamples(t *testing.T) {
	var data32, data64 []byte
	values := []float64{0.5, math.NaN(), math.Inf(1), math.Inf(-1), -0.5}
	for _, v := range values {
		data32, _ = storeFloat(data32, v, 32)
		data64, _ = storeFloat(data64, v, 64)
	}
	data64, _ = storeFloat(data64, 1e300, 64)
	tests := []struct {
		name string
		file []byte
		want []float32
		bad  int64
	}{
		{"32-bit", riffOf("RIFF", fmtPart(3, 1, 48000, 4, 32), part{id: "data", body: data32}), []float32{0.5, 0, 0, 0, -0.5}, 3},
		{"64-bit", riffOf("RIFF", fmtPart(3, 1, 48000, 8, 64), part{id: "data", body: data64}), []float32{0.5, 0, 0, 0, -0.5, 0}, 4},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r, info := open(t, tt.file)
			equalSamples(t, drain(t, r, info)[0], tt.want)
			if r.NonFinite() != tt.bad {
				t.Errorf("NonFinite() = %d, want %d", r.NonFinite(), tt.bad)
			}
		})
	}
}

func TestFormatNamesContainer(t *testing.T) {
	i := Info{Container: "RF64", Float: true, ValidBits: 32, Channels: 2, SampleRateHz: 44100}
	if got, want := i.Format(), "WAV (RF64) 32-bit float 44.1 kHz stereo"; got != want {
		t.Errorf("Format() = %q, want %q", got, want)
	}
}
