package main

import "runtime/debug"

// version is set by a release build with -ldflags "-X main.version=1.2.3".
var version string

// versionText is the version reports and --version name: the release, or else
// what the Go toolchain knows of the source it built.
func versionText() string {
	if version != "" {
		return version
	}
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" || info.Main.Version == "(devel)" {
		return "development"
	}
	return info.Main.Version
}
