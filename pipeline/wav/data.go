package wav

// placeData decides where the sound ends and returns its chunk cut to what is
// there. Recorders that crash, or that write to a pipe, leave no length.
func (w *walker) placeData(c chunk) (chunk, error) {
	rest := w.size - c.start
	if w.haveData {
		w.info.note("The file holds a second block of sound; only the first was read.")
		if c.bytes == lengthNotStated {
			c.bytes = rest
		}
		return c, nil
	}
	if c.bytes == 0 {
		// Checked once: where one empty block lies in a chain to the end of the
		// file, so do those after it.
		if !w.emptyData {
			var err error
			if w.emptyData, err = w.chunksToEnd(c.start); err != nil {
				return c, err
			}
		}
		if w.emptyData {
			return c, nil
		}
		c.bytes = lengthNotStated
	}
	if c.bytes == lengthNotStated {
		w.info.Unfinalized = true
		w.info.DeclaredBytes = -1
		c.bytes = rest
	} else {
		declared, err := w.unwrap(c)
		if err != nil {
			return c, err
		}
		w.info.DeclaredBytes = declared
		w.info.missingBytes = max(0, declared-rest)
		c.bytes = min(declared, rest)
	}
	w.info.DataOffset = c.start
	w.dataBytes = c.bytes
	w.haveData = true
	return c, nil
}

// unwrap is the length of the sound, which a plain RIFF header can only state
// modulo 4 GiB. A recorder that wrote more leaves whole multiples of 4 GiB
// behind the stated end that are no chunks; nothing else looks like that.
func (w *walker) unwrap(c chunk) (int64, error) {
	const wrap = int64(1) << 32
	beyond := w.size - c.end()
	if w.info.Container != "RIFF" || beyond < wrap {
		return c.bytes, nil
	}
	next, _, err := w.next(c)
	if err != nil {
		return 0, err
	}
	whole, err := w.chunksToEnd(next)
	if err != nil || whole {
		return c.bytes, err
	}
	w.info.note("The sound is longer than a plain WAV header can say; it was taken to its real end.")
	return c.bytes + beyond/wrap*wrap, nil
}

// chunksToEnd reports whether well-formed chunks, or nothing at all, fill the
// file from pos to its last byte.
func (w *walker) chunksToEnd(pos int64) (bool, error) {
	for n := 0; n < maxChunks && pos+chunkHeadBytes <= w.size; n++ {
		c, err := w.chunkAt(pos)
		if err != nil {
			return false, err
		}
		if !isName(c.id) || c.bytes < 0 || c.end() > w.size {
			return false, nil
		}
		if pos, _, err = w.next(c); err != nil {
			return false, err
		}
	}
	// A last odd chunk may lack its pad byte.
	return pos == w.size || pos == w.size+1, nil
}

// next is where the chunk after c begins. RIFF pads a chunk of odd length with
// one byte that the length does not count; some writers forget it, which shows
// in a name that begins one byte early.
func (w *walker) next(c chunk) (pos int64, unpadded bool, err error) {
	end := c.end()
	if c.bytes%2 == 0 {
		return end, false, nil
	}
	if end+5 > w.size {
		return end + 1, false, nil
	}
	b, err := w.read(end, 5)
	if err != nil {
		return 0, false, err
	}
	early, late := string(b[:4]), string(b[1:])
	if knownName(late) || !knownName(early) && (isName(late) || !isName(early)) {
		return end + 1, false, nil
	}
	return end, true, nil
}

// isName reports whether id can be a chunk's name: four printable ASCII
// characters.
func isName(id string) bool {
	for i := range len(id) {
		if id[i] < ' ' || id[i] > '~' {
			return false
		}
	}
	return true
}

// knownName reports whether id is a chunk of the RIFF, BWF, RF64 or BW64
// specifications, or one of the fillers and tags in common use.
func knownName(id string) bool {
	switch id {
	case "fmt ", "data", "fact", "LIST", "cue ", "plst", "smpl", "inst", "PEAK",
		"bext", "levl", "link", "axml", "iXML", "chna", "cart", "umid", "mext",
		"ds64", "JUNK", "junk", "PAD ", "FLLR", "ID3 ", "id3 ":
		return true
	}
	return false
}
