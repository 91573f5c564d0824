//go:build !linux

package watcher

// faultMain does nothing: the machines of the fault tests are Linux ones.
func faultMain() {}
