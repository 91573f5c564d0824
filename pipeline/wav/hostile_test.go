package wav

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"
)

// countedFile counts the reads made of it.
type countedFile struct {
	*bytes.Reader
	reads int
}

func (f *countedFile) ReadAt(p []byte, off int64) (int, error) {
	f.reads++
	return f.Reader.ReadAt(p, off)
}

// walkCost is how much memory and how many reads one Walk of file takes.
func walkCost(file []byte) (taken uint64, reads int, err error) {
	f := &countedFile{Reader: bytes.NewReader(file)}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err = Walk(f, int64(len(file)))
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc, f.reads, err
}

// Small files that claim gigabytes, or a million chunks, are answered with a
// sentence and next to no memory.
func TestHeaderBombs(t *testing.T) {
	const limitBytes = 64 << 10 // a thousand chunk names at their most
	const limitReads = 5 * maxChunks
	sound := part{id: "data", body: ramp16(10)}
	bombs := map[string][]byte{
		"million chunks first":     append(riffOf("RIFF"), bytes.Repeat([]byte("cue \x00\x00\x00\x00"), 1_000_000)...),
		"million chunks after":     append(riffOf("RIFF", pcm16(), sound), bytes.Repeat([]byte("cue \x00\x00\x00\x00"), 1_000_000)...),
		"million odd chunks":       append(riffOf("RIFF", pcm16()), bytes.Repeat([]byte("cue \x01\x00\x00\x00x\x00"), 1_000_000)...),
		"data size 0 and a chain":  append(riffOf("RIFF", pcm16(), part{id: "data"}), bytes.Repeat([]byte("cue \x00\x00\x00\x00"), 1_000_000)...),
		"many empty data chunks":   append(riffOf("RIFF", pcm16()), bytes.Repeat([]byte("data\x00\x00\x00\x00"), 10_000)...),
		"900 empty data chunks":    riffOf("RIFF", append([]part{pcm16()}, manyOf(part{id: "data"}, 900)...)...),
		"many fmt chunks":          riffOf("RIFF", manyOf(pcm16(), 900)...),
		"many data chunks":         riffOf("RIFF", append([]part{pcm16()}, manyOf(sound, 900)...)...),
		"ds64 with a huge table":   riffOf("RF64", part{id: "ds64", body: append(ds64Part(1<<40, 1<<40).body[:24], 0xFF, 0xFF, 0xFF, 0xFF)}, pcm16()),
		"RIFF in RIFF in RIFF":     []byte(strings.Repeat("RIFF\xff\xff\xff\xffWAVE", 50_000)),
		"data claiming everything": riffOf("RIFF", pcm16(), lying("data", 0xFFFFFFFE, ramp16(10))),
	}
	for _, size := range []uint32{1 << 30, 2 << 30, 0x80000001, 0xFFFFFFF7, 0xFFFFFFFF} {
		for _, id := range []string{"fmt ", "LIST", "cue ", "bext", "ds64", "smpl", "JUNK"} {
			bombs[fmt.Sprintf("%s claiming %#x", id, size)] = riffOf("RIFF", lying(id, size, make([]byte, 64)))
			bombs[fmt.Sprintf("%s claiming %#x in RF64", id, size)] = riffOf("RF64", lying(id, size, make([]byte, 64)))
			bombs[fmt.Sprintf("%s claiming %#x after the sound", id, size)] = riffOf("RIFF", pcm16(), sound, lying(id, size, make([]byte, 64)))
		}
	}
	for name, file := range bombs {
		t.Run(name, func(t *testing.T) {
			taken, reads, err := walkCost(file)
			if reads > limitReads {
				t.Errorf("Walk read %d times", reads)
			}
			if taken > limitBytes {
				t.Errorf("Walk took %d bytes of memory for a file of %d", taken, len(file))
			}
			if err != nil && !worded(err) {
				t.Errorf("Walk: %v, want a sentence", err)
			}
		})
	}
}

func manyOf(p part, n int) []part {
	parts := make([]part, n)
	for i := range parts {
		parts[i] = p
	}
	return parts
}

// worded reports whether err is one of the two kinds that carry a sentence.
func worded(err error) bool {
	var broken *BadError
	var refused *UnsupportedError
	switch {
	case errors.As(err, &broken):
		return broken.Says != ""
	case errors.As(err, &refused):
		return refused.Kind != "" && refused.Says != ""
	}
	return false
}

// A file cut anywhere is refused in words, or says how much is missing. It
// never passes for whole with a frame less.
func TestTruncatedAtEveryByte(t *testing.T) {
	const frames = 30000
	whole := riffOf("RIFF", part{id: "bext", body: make([]byte, 61)}, pcm16(), part{id: "data", body: ramp16(frames)}, part{id: "LIST", body: []byte("INFOISFT\x04\x00\x00\x00abcd")})
	const offset, declared = 12 + 8 + 62 + 24 + 8, 2 * frames
	random := rand.New(rand.NewPCG(1, 2))
	for n := range 4096 + 1000 { // every byte of the beginning, and random ones
		cut := n
		if n >= 4096 {
			cut = 4096 + random.IntN(len(whole)-4096)
		}
		info, err := Walk(bytes.NewReader(whole[:cut]), int64(cut))
		if cut < offset {
			var broken *BadError
			if !errors.As(err, &broken) || !broken.Incomplete {
				t.Fatalf("cut at %d: %v, want an incomplete BadError", cut, err)
			}
			continue
		}
		if err != nil {
			t.Fatalf("cut at %d: %v", cut, err)
		}
		there := min(cut-offset, declared)
		if info.Frames != int64(there/2) || info.MissingBytes() != int64(declared-there) || info.DeclaredBytes != declared {
			t.Fatalf("cut at %d: %d frames, %d missing", cut, info.Frames, info.MissingBytes())
		}
		_, got := readAll(t, whole[:cut])
		equalSamples(t, got[0], wantRamp16(there/2))
	}
}

// cutFile is a file that others shorten and lengthen.
type cutFile struct {
	whole []byte
	end   int
}

func (f *cutFile) ReadAt(p []byte, off int64) (int, error) {
	return bytes.NewReader(f.whole[:f.end]).ReadAt(p, off)
}

// A file that becomes shorter between the walk and the read, or between two
// reads, ends in ErrShrunk with the frames before it, wherever the cut falls.
func TestShrinkingFileIsAnError(t *testing.T) {
	file := riffOf("RIFF", pcm16(), part{id: "data", body: ramp16(100)})
	info, err := Walk(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	for cut := range file {
		f := &cutFile{whole: file, end: cut}
		r, err := NewReader(f, info)
		if err != nil {
			t.Fatal(err)
		}
		dst := [][]float32{make([]float32, 7)}
		frames := 0
		for err == nil {
			var n int
			n, err = r.Read(dst)
			frames += n
		}
		if !errors.Is(err, ErrShrunk) {
			t.Fatalf("cut at %d: %v, want ErrShrunk", cut, err)
		}
		if there := max(0, cut-44) / 2; frames > there {
			t.Fatalf("cut at %d: %d frames of %d", cut, frames, there)
		}
		f.end = len(file) // back to its full length, too late
		if n, again := r.Read(dst); n != 0 || !errors.Is(again, ErrShrunk) {
			t.Fatalf("cut at %d: a second Read gave %d, %v", cut, n, again)
		}
	}
	if _, err := Walk(bytes.NewReader(file[:20]), int64(len(file))); !errors.Is(err, ErrShrunk) {
		t.Errorf("Walk of a file shorter than its size: %v", err)
	}
}

var errDisk = errors.New("disk trouble")

// faulty fails every read that reaches beyond an offset.
type faulty struct {
	file []byte
	from int64
}

func (f faulty) ReadAt(p []byte, off int64) (int, error) {
	if off+int64(len(p)) > f.from {
		return 0, errDisk
	}
	return bytes.NewReader(f.file).ReadAt(p, off)
}

// Trouble with the disk is passed on as itself, not as a broken take.
func TestDiskErrorsPassThrough(t *testing.T) {
	file := riffOf("RIFF", pcm16(), part{id: "data", body: ramp16(100)})
	size := int64(len(file))
	if _, err := Walk(faulty{file, 40}, size); !errors.Is(err, errDisk) || worded(err) {
		t.Errorf("Walk: %v", err)
	}
	info, err := Walk(faulty{file, 60}, size)
	if err != nil {
		t.Fatal(err)
	}
	r, err := NewReader(faulty{file, 60}, info)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.Read([][]float32{make([]float32, 100)}); !errors.Is(err, errDisk) || errors.Is(err, ErrShrunk) {
		t.Errorf("Read: %v", err)
	}
}

func TestReaderRefusesMisuse(t *testing.T) {
	file := riffOf("RIFF", pcm16(), part{id: "data", body: ramp16(10)})
	if _, err := NewReader(bytes.NewReader(file), Info{}); err == nil {
		t.Error("NewReader took an Info that says nothing")
	}
	r, _ := open(t, file)
	if _, err := r.Read(make([][]float32, 2)); err == nil {
		t.Error("Read filled two channels from one")
	}
	long, short := make([]float32, 10), make([]float32, 3)
	stereo, info := open(t, riffOf("RIFF", fmtPart(1, 2, 48000, 4, 16), part{id: "data", body: ramp16(10)}))
	if n, err := stereo.Read([][]float32{long, short}); n != 3 || err != nil || info.Frames != 5 {
		t.Errorf("Read = %d, %v, want 3 frames, the shorter slice", n, err)
	}
	if n, err := stereo.Read([][]float32{long, long}); n != 2 || err != nil {
		t.Errorf("Read = %d, %v, want the last 2 frames", n, err)
	}
	if n, err := stereo.Read([][]float32{long, long}); n != 0 || err != io.EOF {
		t.Errorf("Read = %d, %v, want 0, io.EOF", n, err)
	}
}

// The seams between the stretches handed to the decoder lose and repeat
// nothing, for frames of even and of odd length.
func TestSegmentSeams(t *testing.T) {
	for _, segFrames := range []int64{1, 7, 250, 1000} {
		r, info := open(t, riffOf("RIFF", pcm16(), part{id: "data", body: ramp16(1000)}))
		r.segMax = segFrames
		equalSamples(t, drain(t, r, info)[0], wantRamp16(1000))

		var data []byte
		var want []float32
		for i := range 1000 {
			data = append(data, byte(i), byte(i>>8), 0)
			want = append(want, float32(i)/(1<<23))
		}
		r, info = open(t, riffOf("RIFF", fmtPart(1, 1, 48000, 3, 24), part{id: "data", body: data}))
		r.segMax = segFrames
		equalSamples(t, drain(t, r, info)[0], want)
	}
}

func TestReadAllocatesNothing(t *testing.T) {
	r, _ := open(t, riffOf("RIFF", fmtPart(1, 2, 48000, 6, 24), part{id: "data", body: make([]byte, 6*200_000)}))
	dst := [][]float32{make([]float32, 1024), make([]float32, 1024)}
	if _, err := r.Read(dst); err != nil { // opens the decoder
		t.Fatal(err)
	}
	if allocs := testing.AllocsPerRun(100, func() {
		if n, err := r.Read(dst); n != 1024 || err != nil {
			t.Fatalf("Read = %d, %v", n, err)
		}
	}); allocs != 0 {
		t.Errorf("Read allocates %v times a block", allocs)
	}
}
