package page

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// The contrast that text (4.5) and pictures (3) must have is from WCAG 2.2, success
// criteria 1.4.3 and 1.4.11.
func TestContrast(t *testing.T) {
	style := text("page.css")
	parts := strings.SplitN(style, "prefers-color-scheme: dark", 2)
	print := style[strings.Index(style, "@media print"):]
	for scheme, css := range map[string]string{"light": parts[0], "dark": parts[1], "print": print} {
		colors := map[string]float64{}
		for _, m := range regexp.MustCompile(`--(\w+): #([0-9a-f]+);`).FindAllStringSubmatch(css, -1) {
			if _, told := colors[m[1]]; !told {
				colors[m[1]] = luminance(t, m[2])
			}
		}
		for _, ground := range []string{"paper", "sheet"} {
			for name, least := range map[string]float64{"ink": 4.5, "soft": 4.5, "accent": 4.5, "good": 4.5, "draw": 3, "hair": 3} {
				got := contrast(colors[name], colors[ground])
				if got < least {
					t.Errorf("%s: %s on %s has a contrast of %.2f, less than %.1f", scheme, name, ground, got, least)
				}
			}
		}
		// A button under the mouse, and the number in a mark to hear, are the other way round.
		if got := contrast(colors["sheet"], colors["accent"]); got < 4.5 {
			t.Errorf("%s: sheet on accent has a contrast of %.2f", scheme, got)
		}
	}
}

// luminance is the relative luminance of WCAG 2.2.
func luminance(t *testing.T, hex string) float64 {
	if len(hex) == 3 {
		hex = string([]byte{hex[0], hex[0], hex[1], hex[1], hex[2], hex[2]})
	}
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		v, err := strconv.ParseUint(hex[2*i:2*i+2], 16, 8)
		if err != nil {
			t.Fatal(err)
		}
		c := float64(v) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}

func contrast(a, b float64) float64 { return (max(a, b) + 0.05) / (min(a, b) + 0.05) }
