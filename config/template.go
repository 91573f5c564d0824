package config

import (
	"bytes"
	"fmt"
	"strings"
)

const preface = `The settings of this workspace. Every setting stands here with its default; change a value, save the file and start lectern again.
Levels are in dB below full scale: 0 is the loudest a file can hold, and -20 is softer than -10.
One book may differ from this: put a file about.toml with its own [delivery], [level] or [takes] into the book's folder in the inbox.`

// Template writes lectern.toml with every setting at its default, its unit,
// its bounds and one sentence. The lines are active, so that what stands in
// the file is what holds, and a workspace keeps its sound if a later version
// has other defaults.
func Template() []byte {
	s := Default()
	var b bytes.Buffer
	for _, line := range strings.Split(preface, "\n") {
		comment(&b, line)
	}
	for _, section := range sections {
		fmt.Fprintln(&b)
		comment(&b, section.says)
		fmt.Fprintf(&b, "[%s]\n", section.name)
		for _, k := range keys {
			if k.section != section.name {
				continue
			}
			fmt.Fprintln(&b)
			comment(&b, k.says)
			comment(&b, "Allowed: "+k.allowed())
			fmt.Fprintf(&b, "%s = %s\n", k.name, k.value(&s))
		}
	}
	return b.Bytes()
}

// comment writes text as comment lines of at most 78 letters.
func comment(b *bytes.Buffer, text string) {
	line := "#"
	for _, word := range strings.Fields(text) {
		if len(line)+1+len(word) > 78 {
			fmt.Fprintln(b, line)
			line = "#"
		}
		line += " " + word
	}
	fmt.Fprintln(b, line)
}
