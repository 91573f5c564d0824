package config

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the table of settings in README.md anew")

// settingsTable is the table of README.md: every setting, from the one table of
// bounds.
func settingsTable() string {
	var b strings.Builder
	s := Default()
	for _, section := range sections {
		fmt.Fprintf(&b, "\n**[%s]** %s\n\n| setting | default | allowed | meaning |\n|---|---|---|---|\n", section.name, section.says)
		for _, k := range keys {
			if k.section == section.name {
				fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", k.name, k.value(&s), k.allowed(), k.says)
			}
		}
	}
	return b.String()
}

// The README states each setting as it is; go test -update writes it anew.
func TestReadmeStatesEverySetting(t *testing.T) {
	const begin, end = "<!-- settings: go test ./config -update -->\n", "\n<!-- end of settings -->"
	path := filepath.Join("..", "README.md")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.ReplaceAll(text, []byte("\r\n"), []byte("\n"))
	head, rest, ok := strings.Cut(string(text), begin)
	got, tail, ended := strings.Cut(rest, end)
	if !ok || !ended {
		t.Fatalf("README.md lacks the lines %q and %q", begin, end)
	}
	want := settingsTable()
	if got == want {
		return
	}
	if !*update {
		t.Fatalf("README.md states other settings than there are; run go test ./config -update. It should be:\n%s", want)
	}
	if err := os.WriteFile(path, []byte(head+begin+want+end+tail), 0o644); err != nil {
		t.Fatal(err)
	}
}
