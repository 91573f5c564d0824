package pipeline

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"lectern/config"
	"lectern/encode"
	"lectern/pipeline/report"
	"lectern/pipeline/wav"
)

// Check measures a finished or raw file, WAV or MP3 as its first bytes say, with
// the meters of the chain, and judges it against the limits in d. A file that
// cannot be read as either is a *RawError.
func Check(ctx context.Context, path string, d config.Delivery) (*report.Checked, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("open file: %w", err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("open file: %w", err)
	}
	if !st.Mode().IsRegular() {
		return nil, &RawError{"This is not an ordinary file."}
	}
	c := &report.Checked{Name: filepath.Base(path), Findings: []report.Finding{}}
	read := readWAV
	if isMP3(f, st.Size(), path) {
		read = readMP3
	}
	m, err := read(ctx, f, st.Size(), c)
	if err != nil {
		return nil, err
	}
	measured, drawn := m.result(nil)
	faults := m.faults(drawn, d)
	fillColors(&measured, faults)
	c.Measured = measured
	c.Findings = append(c.Findings, tellSampleFaults(m.sampleFaults(), float64(measured.DurationS), asIs)...)
	c.Findings = append(c.Findings, tellFaults(faults, float64(measured.DurationS), asIs)...)
	c.Checks = report.Judge(measured, c.Format, d, float64(splitAt(drawn.Features.Len(), drawn.Pauses))/framesPerSecond)
	c.Judge()
	return c, nil
}

// isMP3 tells an MP3 from a WAV by its first bytes: an ID3v2 tag, or a frame's
// sync. What begins with neither, and not as a WAV does, is taken for what its name
// says, or for an MP3 if most of it is frames: there may be anything in front of them.
func isMP3(r io.ReaderAt, size int64, name string) bool {
	var b [4]byte
	if _, err := r.ReadAt(b[:], 0); err != nil {
		return false
	}
	switch string(b[:]) {
	case "RIFF", "RIFX", "RF64", "BW64":
		return false
	}
	if string(b[:3]) == "ID3" || b[0] == 0xFF && b[1]&0xE0 == 0xE0 && b[1]&0x06 != 0 {
		return true
	}
	if strings.EqualFold(filepath.Ext(name), ".mp3") {
		return true
	}
	s, err := encode.Walk(r, size)
	return err == nil && s.StrayBytes < size/2
}

// readWAV fills in what kind of WAV f is and returns the measurement of its sound.
func readWAV(ctx context.Context, f *os.File, size int64, c *report.Checked) (*measurement, error) {
	info, err := wav.Walk(f, size)
	if err != nil {
		return nil, rawError(err)
	}
	c.Format = report.Format{Codec: "WAV", Says: info.Format(), SampleRateHz: info.SampleRateHz, Channels: info.Channels}
	s := newSurvey(info)
	m := newMeasurement(info.SampleRateHz, info.Channels)
	if err = m.hear(0, func(add use) error {
		s.odd, err = readRaw(ctx, f, info, add)
		return err
	}, s.uses()...); err != nil {
		return nil, err
	}
	s.conclude()
	c.Findings = append(c.Findings, s.findings(asIs)...)
	return m, nil
}

// readMP3 does the same for an MP3. Of a damaged one, what is left is measured.
func readMP3(ctx context.Context, f *os.File, size int64, c *report.Checked) (*measurement, error) {
	s, err := encode.Walk(f, size)
	if err != nil {
		return nil, &RawError{"This is no MP3 that can be read: " + err.Error() + "."}
	}
	c.Format = report.Format{
		Codec: "MP3", Says: sayMP3(s), SampleRateHz: s.SampleRateHz, Channels: s.Channels,
		BitrateKbps: s.BitrateKbps, ConstantRate: s.Constant, Frames: s.Frames,
	}
	dec, err := encode.NewDecoder(f, s)
	if err != nil {
		return nil, &RawError{"This MP3 cannot be decoded: " + err.Error() + "."}
	}
	m := newMeasurement(s.SampleRateHz, dec.Channels())
	err = m.hear(0, func(add use) error { return decode(ctx, dec, add) })
	for _, d := range dec.Damage() {
		at, until := report.Seconds(d.AtS), report.Seconds(d.UntilS)
		c.Findings = append(c.Findings, report.Finding{
			Kind: "damaged", AtS: at, UntilS: until, FinishedAtS: &at, Says: report.SaysDamaged(d.AtS, d.Offset, d.Says),
		})
	}
	return m, err
}

// decode hands on all that dec gives.
func decode(ctx context.Context, dec *encode.Decoder, add use) error {
	dst := make([][]float32, dec.Channels())
	part := make([][]float32, len(dst))
	for i := range dst {
		dst[i] = make([]float32, blockSamples)
	}
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := dec.Read(dst)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		for i := range dst {
			part[i] = dst[i][:n]
		}
		if err := add(part); err != nil {
			return err
		}
	}
}

// asIs is where a place of a file is in the file that is heard, the same one.
func asIs(atS float64) *report.Seconds { at := report.Seconds(atS); return &at }

// sayMP3 tells what kind of MP3 it is. The usual MPEG version is not worth a word.
func sayMP3(s encode.Stream) string {
	words := "MP3"
	if s.MPEGVersion != "MPEG-1" {
		words += " (" + s.MPEGVersion + ")"
	}
	kind := "constant"
	if !s.Constant {
		kind = "on average"
	}
	channels := "mono"
	switch {
	case s.Channels == 2 && s.Joint:
		channels = "joint stereo"
	case s.Channels == 2 && s.Dual:
		channels = "two channels"
	case s.Channels == 2:
		channels = "stereo"
	}
	return fmt.Sprintf("%s %.0f kbps %s %g kHz %s", words, s.BitrateKbps, kind, float64(s.SampleRateHz)/1000, channels)
}
