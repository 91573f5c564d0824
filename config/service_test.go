package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func loadService(t *testing.T, text string) (Service, string, error) {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "service.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := LoadService(path)
	return s, dir, err
}

func TestLoadService(t *testing.T) {
	got, dir, err := loadService(t, "\ufeff"+`# comment
workspaces = ['marsh', 'verrall']
jobs = 3
listen = "[::1]:9310"
log_file = "lectern.log"
`)
	if err != nil {
		t.Fatal(err)
	}
	want := Service{
		Workspaces: []string{filepath.Join(dir, "marsh"), filepath.Join(dir, "verrall")}, Jobs: 3, Listen: "[::1]:9310",
		LogFile: filepath.Join(dir, "lectern.log"), LogFileMaxMiB: 20, LogFilesKept: 10,
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestLoadServiceRefuses(t *testing.T) {
	const good = "workspaces = ['a']\n"
	for text, want := range map[string]string{
		"":                                    "workspaces is missing",
		"workspaces = []":                     "workspaces is missing",
		"workspaces = 'a'":                    "line 1: workspaces = \"a\" is not possible",
		"workspaces = ['a', 3]":               "is not possible; allowed is a list of folders",
		"workspaces = ['a', './a']":           "twice",
		good + "listen = '0.0.0.0:9310'":      "line 2: listen = \"0.0.0.0:9310\" is not possible",
		good + "listen = ':9310'":             "is not possible",
		good + "listen = '127.0.0.1'":         "is not possible",
		good + "listen = '127.0.0.1:http'":    "is not possible",
		good + "listen = '192.168.1.7:9310'":  "is not possible",
		good + "listen = 'books.example:931'": "is not possible",
		good + "jobs = -1":                    "allowed is a whole number from 0 to 64",
		good + "jobs = 1.5":                   "allowed is a whole number from 0 to 64",
		good + "log_files_kept = 0":           "allowed is a whole number from 1 to 1000",
		good + "log_file = 3":                 "is not possible",
		good + "[watch]\njobs = 3":            "is not a setting of a service",
		good + "speed = 3":                    "line 2: speed = 3 is not a setting of a service; allowed are workspaces",
		good + "jobs = ":                      "line 2: this cannot be read",
	} {
		_, _, err := loadService(t, text)
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "service.toml") {
			t.Errorf("%q: %v, want one with %q", text, err, want)
		}
	}
}
