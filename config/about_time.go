package config

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// maxClockS is a day, longer than any chapter.
const maxClockS = 24 * 3600

// clock reads a time in a chapter into seconds; "" is one that is not told.
func clock(at func(*About) *float64) func(*About, any) string {
	return func(a *About, v any) (why string) {
		var ok bool
		switch v := v.(type) {
		case string:
			if v == "" {
				return ""
			}
			*at(a), ok = parseClock(v)
		case int64:
			*at(a), ok = float64(v), v >= 0 && v < maxClockS
		case float64:
			*at(a), ok = v, v >= 0 && v < maxClockS // false for NaN
		}
		if !ok {
			return "is not a time in a chapter"
		}
		return ""
	}
}

// parseClock reads "70", "1:10", "1:02:03", each perhaps with tenths behind the seconds.
func parseClock(text string) (seconds float64, ok bool) {
	parts := strings.Split(strings.TrimSpace(text), ":")
	if len(parts) > 3 {
		return 0, false
	}
	for i, part := range parts {
		whole, tenths, dotted := strings.Cut(part, ".")
		last := i == len(parts)-1
		if !digits(whole) || dotted && (!last || !digits(tenths)) {
			return 0, false
		}
		x, err := strconv.ParseFloat(part, 64)
		if err != nil || i > 0 && x >= 60 {
			return 0, false
		}
		seconds = 60*seconds + x
	}
	return seconds, seconds < maxClockS
}

func digits(text string) bool {
	return text != "" && strings.Trim(text, "0123456789") == ""
}

// minutes writes a length in whole seconds as "6:05 minutes".
func minutes(s float64) string {
	n := int(math.Round(s))
	return fmt.Sprintf("%d:%02d minutes", n/60, n%60)
}
