package report

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// sentences are all there are, each with figures that make it whole.
func sentences() []string {
	varying := mp3
	varying.ConstantRate = false
	here, gone := PlaceOf(61, ptr(Seconds(59.2))), PlaceOf(2, nil)
	all := []string{
		adviseSilent, adviseNoSpeech, JudgedBy,
		adviseSamplePeak(-1.98, -3, true),
		adviseRMS(-17.2, -18, true), adviseRMS(-29.9, -23, false),
		adviseNoLoudness, adviseTruePeak(-0.2, -1, true), adviseLoudness(-14.1, -15, true), adviseLoudness(-22.4, -21, false),
		adviseNoiseFloor(-48.4, -60, true), adviseRoomTone(-44.1, -60, true),
		adviseHead(2.49, 1.05, true), adviseHead(0.1, 0.45, false),
		adviseTail(8, 5.05, true), adviseTail(0.2, 0.95, false),
		adviseBitrate(varying)(187.3, 192, false), adviseBitrate(mp3)(128, 192, false),
		adviseSampleRate(48000, 44100, true), adviseChannels(2, 1, true),
		adviseLength(3540)(121, 115, true),
		SaysClipped(here), SaysClipped(gone), SaysClippedLowered(here), SaysSoftClipped(here), SaysOffset(0.4),
		SaysDropOut(here, 12), SaysRepeated(here, 0.4), SaysNarrowBand(6980),
		SaysHum(50, -64, []float64{50, 100, 150}), SaysHum(60, -55, []float64{60}), SaysHum(60, -41, []float64{120, 180}),
		SaysRumble(4), SaysRumble(23), SaysClick(here, -31), SaysClick(gone, -12), SaysThump(here, -31), SaysThump(here, -12),
		SaysLongPause(here, 5.2, 1.4), SaysLongPause(here, 7.1, 0), SaysSoftSpeech(24, 40),
		SaysRoomChange(here, 6), SaysRoomChange(here, -7), SaysToneChange(here, 4, 4), SaysToneChange(here, -4, -4), SaysToneChange(here, 5, 0),
		SaysDeadChannel("left"), SaysCancel("right"), SaysUnlike("left"),
		SaysUnfinished(), SaysTruncated(62), SaysNonFinite(12),
		SaysToneLaidIn(0.5, "after the last word", true), SaysToneLaidIn(0.5, "before the first word", false),
		SaysSilenceInside(1, 0.3, 61, true), SaysSilenceInside(3, 1.2, 61, false),
		SaysNoiseLeft(12, 4.2), SaysDamaged(61, 1500000, "a frame is cut off."),
	}
	for _, kind := range slices.Sorted(maps.Keys(several)) {
		says, _ := SaysSeveral(kind, []string{"0:59", "2:01", "3:03", "4:12", "5:20"})
		all = append(all, says)
	}
	clocks := []string{"0:01", "0:02", "0:03", "0:04", "0:05", "0:06", "0:07", "0:08", "0:09", "0:10", "0:11"}
	many, _ := SaysSeveral("click", clocks)
	return slices.Concat(all, []string{many}, joinSentences(), roomSentences())
}

// The sentences as a narrator reads them. Read each aloud before changing the
// golden file.
func TestSentences(t *testing.T) {
	golden(t, "sentences.txt", []byte(strings.Join(sentences(), "\n")+"\n"))
}

// jargon are words that only a technician knows. Those with a meaning beside
// them in the same sentence, such as bit rate, are not among them.
var jargon = regexp.MustCompile(`(?i)\b(dBFS|dBTP|dBov|LUFS|LU|LRA|CBR|VBR|kbps|Hz|kHz|DC|PCM|codec|decod\w*|encod\w*|polarity|phase|quantile|threshold|buffer|header|checksum|sha256|NaN|null|RMS of)\b`)

func TestSentencesArePlain(t *testing.T) {
	for _, s := range sentences() {
		if word := jargon.FindString(s); word != "" {
			t.Errorf("%q is jargon in %q", word, s)
		}
		if !strings.HasSuffix(s, ".") || strings.Contains(s, "..") || strings.Contains(s, "  ") || strings.Contains(s, "%!") {
			t.Errorf("not whole sentences: %q", s)
		}
		if regexp.MustCompile(`\b1 (places|channels)\b`).MatchString(s) {
			t.Errorf("one of many: %q", s)
		}
	}
	if jargon.FindString("The RMS of the file in dBFS") == "" {
		t.Error("the pattern finds nothing")
	}
}

// A figure that missed its limit by a hair must not read as the limit.
func TestNear(t *testing.T) {
	for _, tt := range []struct {
		v, limit float64
		want     string
	}{
		{-48.44, -60, "-48.4"}, {-59.96, -60, "-59.96"}, {-59.996, -60, "-59.996"}, {-59.9999, -60, "-60.000"},
		{-2.97, -3, "-2.97"}, {0.03, 0, "0.03"}, {1.02, 0, "1.0"},
	} {
		if got := near(tt.v, tt.limit); got != tt.want {
			t.Errorf("near(%v, %v) = %s, want %s", tt.v, tt.limit, got, tt.want)
		}
	}
}

// The advice on a limit that was missed says by how much, and what the limit is.
func TestAdviceCarriesItsFigures(t *testing.T) {
	for _, tt := range []struct{ says, want string }{
		{adviseNoiseFloor(-52.3, -60, true), "about 8 dB too loud"},
		{adviseNoiseFloor(-52.3, -60, true), "-52.3 dB, and the limit is -60"},
		{adviseRoomTone(-59.9, -60, true), "about 1 dB too loud"},
		{adviseSamplePeak(-1.98, -3, true), "1.0 dB over the limit of -3"},
		{adviseRMS(-23.4, -23, false), "0.4 dB too soft"},
		{adviseTruePeak(-0.2, -1, true), "0.8 dB over the limit of -1"},
		{adviseLoudness(-22.4, -21, false), "1.4 dB too soft"},
		{adviseLoudness(-14.1, -15, true), "is -14.1, and the limit is -15"},
		{adviseLength(3540)(121, 115, true), fmt.Sprintf("lasts %s", Clock(121*60))},
		{adviseLength(3540)(121, 115, true), "the longest pause near the middle is at 59:00"},
	} {
		if !strings.Contains(tt.says, tt.want) {
			t.Errorf("%q lacks %q", tt.says, tt.want)
		}
	}
}
