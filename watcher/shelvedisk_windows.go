package watcher

import (
	"path/filepath"

	"golang.org/x/sys/windows"
)

// diskLabel is the label of the disk a folder lies on, "" if it has none.
func diskLabel(folder string) string {
	root, err := windows.UTF16PtrFromString(filepath.VolumeName(folder) + `\`)
	if err != nil {
		return ""
	}
	var label [windows.MAX_PATH + 1]uint16
	if windows.GetVolumeInformation(root, &label[0], uint32(len(label)), nil, nil, nil, nil, 0) != nil {
		return ""
	}
	return windows.UTF16ToString(label[:])
}
