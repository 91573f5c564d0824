package watcher

import "lectern/watcher/internal/durable"

// hasWriter cannot be told on macOS; it only finds out whether the file can be
// read at all.
func hasWriter(path string) (answer, error) {
	f, err := durable.OpenRegular(path)
	if err != nil {
		return unknown, err
	}
	return unknown, f.Close()
}
