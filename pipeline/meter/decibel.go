package meter

import (
	"fmt"
	"math"
	"strconv"
)

// DB is a level, or a difference of levels, in decibels. Silence, and a figure
// that does not exist, is -Inf. What 0 dB means is for the name of the variable
// to say (DBFS, DBTP, LUFS, LU).
//
// In JSON a DB is a number rounded to two decimals; silence is null.
type DB float64

// Silent is the level of digital silence.
var Silent = DB(math.Inf(-1))

// FromPower converts a mean square (full scale = 1) to decibels.
func FromPower(meanSquare float64) DB { return DB(10 * math.Log10(meanSquare)) }

// FromAmplitude converts an absolute sample value (full scale = 1) to decibels.
func FromAmplitude(a float64) DB { return DB(20 * math.Log10(a)) }

// Amplitude is the reverse of FromAmplitude; silence is 0.
func (d DB) Amplitude() float64 { return math.Pow(10, float64(d)/20) }

// Power is the reverse of FromPower; silence is 0.
func (d DB) Power() float64 { return math.Pow(10, float64(d)/10) }

// IsSilent tells whether there is no figure: silence, or nothing measured.
func (d DB) IsSilent() bool { return math.IsInf(float64(d), -1) || math.IsNaN(float64(d)) }

// String gives one decimal, as in "-20.1", or "silent".
func (d DB) String() string {
	if d.IsSilent() {
		return "silent"
	}
	return strconv.FormatFloat(rounded(float64(d), 10), 'f', 1, 64)
}

// MarshalJSON implements json.Marshaler.
func (d DB) MarshalJSON() ([]byte, error) {
	if d.IsSilent() || math.IsInf(float64(d), 1) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, rounded(float64(d), 100), 'f', -1, 64), nil
}

// UnmarshalJSON implements json.Unmarshaler.
func (d *DB) UnmarshalJSON(text []byte) error {
	if string(text) == "null" {
		*d = Silent
		return nil
	}
	value, err := strconv.ParseFloat(string(text), 64)
	if err != nil {
		return fmt.Errorf("read level in decibels: %w", err)
	}
	*d = DB(value)
	return nil
}

// rounded rounds to 1/parts; adding zero turns -0 into 0.
func rounded(x, parts float64) float64 { return math.Round(x*parts)/parts + 0 }
