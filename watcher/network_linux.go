package watcher

import "golang.org/x/sys/unix"

// isNetwork tells whether path lies on a kind of disk that does not tell us
// about changes other computers make. Numbers: statfs(2).
func isNetwork(path string) bool {
	var st unix.Statfs_t
	if unix.Statfs(path, &st) != nil {
		return false
	}
	switch uint32(st.Type) {
	case 0x6969 /* NFS */, 0x517b /* SMB */, 0xfe534d42 /* SMB2 */, 0xff534d42, /* CIFS */
		0x65735546 /* FUSE */, 0x01021997 /* 9P */, 0x5346414f /* AFS */, 0x00c36400 /* Ceph */ :
		return true
	}
	return false
}

// pollsByDefault is set where watching a folder costs too much.
const pollsByDefault = false
