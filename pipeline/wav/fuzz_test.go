package wav

import (
	"bytes"
	"errors"
	"io"
	"testing"
)

// seeds are small whole and odd files, one of each kind the walk tells apart.
func seeds() [][]byte {
	sound := part{id: "data", body: ramp16(24)}
	return [][]byte{
		nil,
		riffOf("RIFF", pcm16(), sound),
		riffOf("RIFF", fmtPart(1, 1, 8000, 1, 8), part{id: "data", body: []byte{1, 2, 3}}),
		riffOf("RIFF", fmtPart(1, 2, 48000, 6, 24), sound),
		riffOf("RIFF", extPart(1, 1, 48000, 32, 24), sound),
		riffOf("RIFF", fmtPart(3, 1, 192000, 4, 32), sound),
		riffOf("RIFF", extPart(3, 2, 48000, 64, 64), sound),
		riffOf("RIFF", part{id: "bext", body: make([]byte, 61), noPad: true}, pcm16(), sound, part{id: "LIST", body: []byte("INFOx")}),
		riffOf("RIFF", pcm16(), lying("data", 0, ramp16(24))),
		riffOf("RIFF", pcm16(), lying("data", 0xFFFFFFFF, ramp16(24))),
		riffOf("RIFF", pcm16(), lying("data", 0x40000000, ramp16(24))),
		riffOf("RIFF", pcm16(), lying("data", 100, nil)),
		riffOf("RF64", ds64Part(120, 48), pcm16(), lying("data", 0xFFFFFFFF, ramp16(24))),
		riffOf("BW64", ds64Part(1<<63, 1<<40), pcm16(), lying("data", 0xFFFFFFFF, ramp16(24))),
		riffOf("RIFF", sound, pcm16()),
		riffOf("RIFF", fmtPart(6, 1, 8000, 1, 8), sound),
		[]byte("RIFX\x00\x00\x00\x24WAVEfmt "),
		bytes.Repeat([]byte("RIFF\xff\xff\xff\xffWAVE"), 20),
	}
}

// FuzzWalk: no input makes Walk panic, answer without words, claim sound that
// is not in the file, or contradict itself.
func FuzzWalk(f *testing.F) {
	for _, s := range seeds() {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, file []byte) {
		size := int64(len(file))
		info, err := Walk(bytes.NewReader(file), size)
		if err != nil {
			if !worded(err) {
				t.Fatalf("Walk: %v, want a sentence", err)
			}
			return
		}
		checkInfo(t, info, size)
	})
}

func checkInfo(t *testing.T, i Info, size int64) {
	t.Helper()
	soundBytes := i.Frames * int64(i.BlockBytes)
	switch {
	case i.Channels < 1 || i.Channels > 2 || i.BlockBytes != i.Channels*i.ContainerBits/8 || i.BlockBytes < 1:
		t.Fatalf("impossible layout: %+v", i)
	case i.ValidBits < 8 || i.ValidBits > i.ContainerBits || i.SampleRateHz < 8000 || i.SampleRateHz > 192000:
		t.Fatalf("format out of range: %+v", i)
	case i.Frames < 0 || i.DataOffset < 20 || i.DataOffset+soundBytes > size:
		t.Fatalf("sound beyond the file of %d bytes: %+v", size, i)
	case i.Unfinalized != (i.DeclaredBytes == -1) || i.Unfinalized && i.MissingBytes() != 0:
		t.Fatalf("unfinalized, yet: %+v", i)
	case !i.Unfinalized && i.MissingBytes() != max(0, i.DataOffset+i.DeclaredBytes-size):
		t.Fatalf("missing %d of a file of %d bytes: %+v", i.MissingBytes(), size, i)
	case i.MissingBytes() == 0 && !i.Unfinalized && i.Frames != i.DeclaredBytes/int64(i.BlockBytes):
		t.Fatalf("whole, yet frames are lost: %+v", i)
	case i.Frames == 0 && i.MissingBytes() == 0:
		t.Fatalf("no sound and no error: %+v", i)
	case len(i.Notes) > maxNotes:
		t.Fatalf("%d notes", len(i.Notes))
	}
}

// FuzzRead: what Walk accepts is read to exactly its last frame, in finite
// samples; from a file cut meanwhile never more than is there, and an error.
func FuzzRead(f *testing.F) {
	for _, s := range seeds() {
		f.Add(s, uint16(7), uint16(50))
	}
	f.Fuzz(func(t *testing.T, file []byte, blockFrames, cut uint16) {
		info, err := Walk(bytes.NewReader(file), int64(len(file)))
		if err != nil {
			return
		}
		block := 1 + int(blockFrames)%1000
		frames, err := readFrames(t, file, info, block)
		if frames != info.Frames || !errors.Is(err, io.EOF) {
			t.Fatalf("%d frames, %v, want %d and io.EOF", frames, err, info.Frames)
		}
		soundEnd := info.DataOffset + info.Frames*int64(info.BlockBytes)
		short := file[:int(cut)%(len(file)+1)]
		frames, err = readFrames(t, short, info, block)
		if int64(len(short)) >= soundEnd || info.Frames == 0 {
			return // nothing of the sound was cut off
		}
		there := max(0, int64(len(short))-info.DataOffset) / int64(info.BlockBytes)
		if frames > there || !errors.Is(err, ErrShrunk) {
			t.Fatalf("%d frames of %d in a file cut short, %v, want ErrShrunk", frames, there, err)
		}
	})
}

func readFrames(t *testing.T, file []byte, info Info, block int) (frames int64, err error) {
	t.Helper()
	r, err := NewReader(bytes.NewReader(file), info)
	if err != nil {
		t.Fatal(err)
	}
	dst := make([][]float32, info.Channels)
	for ch := range dst {
		dst[ch] = make([]float32, block)
	}
	for err == nil {
		var n int
		n, err = r.Read(dst)
		frames += int64(n)
		for ch := range dst {
			for i := range n {
				if !finite(dst[ch][i]) {
					t.Fatalf("sample %v in channel %d", dst[ch][i], ch)
				}
			}
		}
	}
	return frames, err
}
