package narrated

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
)

// Voice is one voice of a speech synthesizer.
type Voice struct {
	Name    string
	RateHz  int
	program string
	args    []string
	toFile  bool // it writes a file, named behind -o, not its standard output
}

// AbsentError means that a synthesizer is not installed.
type AbsentError struct{ Program string }

func (e *AbsentError) Error() string { return e.Program + " is not installed" }

// Voices are all voices, every other one of another synthesizer.
func Voices() []Voice {
	flite := func(name string, pitch, stretch float64) Voice {
		args := []string{"-voice", name, "--setf", fmt.Sprintf("duration_stretch=%g", stretch)}
		if pitch > 0 {
			args = append(args, "--setf", fmt.Sprintf("int_f0_target_mean=%g", pitch))
		}
		return Voice{"flite " + name, 16000, "flite", args, true}
	}
	espeak := func(name string, pitch, wordsAMinute int) Voice {
		args := []string{"-v", name, "-p", strconv.Itoa(pitch), "-s", strconv.Itoa(wordsAMinute), "--stdout"}
		return Voice{"espeak " + name, 22050, "espeak-ng", args, false}
	}
	return []Voice{
		flite("slt", 0, 1.05), espeak("en-gb-x-rp", 38, 155),
		flite("rms", 0, 1), espeak("en-us+f3", 55, 165),
		flite("awb", 0, 1.05), espeak("en-gb-scotland+f2", 45, 160),
		flite("kal16", 105, 1.1), espeak("en-us+m3", 25, 150),
	}
}

// Varied is the same voice as it is when a reader says something again: faster or
// slower by a factor, higher or lower by semitones.
func (v Voice) Varied(pace, semitones float64) Voice {
	args := append([]string(nil), v.args...)
	for i, arg := range args {
		switch name, value, _ := strings.Cut(arg, "="); name {
		case "duration_stretch":
			stretch, _ := strconv.ParseFloat(value, 64) // written above
			args[i] = fmt.Sprintf("duration_stretch=%g", stretch/pace)
		case "-s":
			words, _ := strconv.ParseFloat(args[i+1], 64)
			args[i+1] = strconv.Itoa(int(math.Round(words * pace)))
		case "-p": // espeak-ng's scale: 50 of it are about an octave
			pitch, _ := strconv.ParseFloat(args[i+1], 64)
			args[i+1] = strconv.Itoa(int(math.Round(pitch + semitones*50/12)))
		}
	}
	if v.program == "flite" {
		args = append(args, "--setf", fmt.Sprintf("f0_shift=%g", math.Exp2(semitones/12)))
	}
	v.args = args
	return v
}

// Say returns the sound of a sentence, full scale 1, at v.RateHz.
func (v Voice) Say(ctx context.Context, dir, sentence string) ([]float32, error) {
	args, path := v.args, filepath.Join(dir, "sentence.wav")
	if v.toFile {
		args = append(append([]string(nil), args...), "-t", sentence, "-o", path)
	} else {
		args = append(append([]string(nil), args...), sentence)
	}
	out, err := exec.CommandContext(ctx, v.program, args...).Output()
	if errors.Is(err, exec.ErrNotFound) {
		return nil, &AbsentError{v.program}
	}
	if err != nil {
		return nil, fmt.Errorf("run %s: %w", v.program, err)
	}
	if v.toFile {
		if out, err = os.ReadFile(path); err != nil {
			return nil, fmt.Errorf("read what %s wrote: %w", v.program, err)
		}
	}
	return v.samples(out)
}

// samples takes the sound out of a WAV with the plain header of 44 bytes that
// both synthesizers write; one that streams writes no true size.
func (v Voice) samples(wav []byte) ([]float32, error) {
	const header = 44
	if len(wav) <= header || string(wav[36:40]) != "data" {
		return nil, fmt.Errorf("%s wrote no plain WAV", v.program)
	}
	if rate := int(binary.LittleEndian.Uint32(wav[24:])); rate != v.RateHz {
		return nil, fmt.Errorf("%s wrote %d Hz, expected were %d", v.program, rate, v.RateHz)
	}
	x := make([]float32, (len(wav)-header)/2)
	for i := range x {
		x[i] = float32(int16(binary.LittleEndian.Uint16(wav[header+2*i:]))) / 32768
	}
	return x, nil
}

// Installed tells whether the voice's synthesizer is there.
func (v Voice) Installed() bool {
	_, err := exec.LookPath(v.program)
	return err == nil
}
