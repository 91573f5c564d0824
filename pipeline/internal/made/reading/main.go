// Reading writes minutes of the made voice, 16 bits, mono, 44.1 kHz, without a header,
// to its standard output: material where no speech synthesizer is installed.
//
//	reading MINUTES
package main

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"

	"lectern/pipeline/internal/made"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "reading:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) != 1 {
		return fmt.Errorf("give the number of minutes")
	}
	minutes, err := strconv.ParseUint(args[0], 10, 32)
	if err != nil {
		return fmt.Errorf("read the number of minutes: %w", err)
	}
	out := bufio.NewWriter(os.Stdout)
	for minute := range minutes {
		if err := write(out, minute); err != nil {
			return fmt.Errorf("write minute %d: %w", minute+1, err)
		}
	}
	return out.Flush()
}

// write makes one minute, its phrases and pauses those of no other.
func write(out *bufio.Writer, minute uint64) error {
	rng := rand.New(rand.NewPCG(minute, 31))
	tape := made.NewTape(minute + 1)
	tape.Lively = true
	for len(tape.Samples) < made.Frames(60) {
		tape.Phrase(-24+2*rng.NormFloat64(), 0.8+3*rng.Float64(), made.Consonant(rng.IntN(5)), made.Consonant(rng.IntN(5)))
		tape.Pause(0.3 + 0.7*rng.Float64())
	}
	var bytes []byte
	for _, x := range tape.Samples[:made.Frames(60)] {
		bytes = binary.LittleEndian.AppendUint16(bytes, uint16(int16(max(-32768, min(32767, 32768*x)))))
	}
	_, err := out.Write(bytes)
	return err
}
