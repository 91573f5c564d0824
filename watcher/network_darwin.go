package watcher

import "golang.org/x/sys/unix"

// isNetwork tells whether path lies on a disk of another computer.
func isNetwork(path string) bool {
	var st unix.Statfs_t
	if unix.Statfs(path, &st) != nil {
		return false
	}
	return st.Flags&unix.MNT_LOCAL == 0
}

// pollsByDefault: kqueue opens every file of a watched folder.
const pollsByDefault = true
