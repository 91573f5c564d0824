package watcher

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"go.uber.org/zap"

	"lectern/watcher/internal/durable"
)

// mount is a disk other than the workspace's own, on which finished/ or archive/ lies.
type mount struct {
	Folder string `json:"folder"`
	Point  string `json:"mounted_at"`
}

// disksFile, at the root of a workspace, keeps its mounts from one start to the next: a
// computer may start this program before its disks. It is missing where all lies on one
// disk.
const disksFile = ".disks.json"

// mounts finds the disks of finished/ and archive/, those of the last start that are off
// just now included.
func (ws *Workspace) mounts() (list []mount) {
	var known []mount
	_ = readJSON(filepath.Join(ws.Root, disksFile), &known) // none, or a damaged one: nothing is known
	for _, folder := range []string{ws.Finished, ws.Archive} {
		m := mount{Folder: folder, Point: mountPoint(folder)}
		if sameDisk(ws.Root, folder) {
			m.Point = ""
		}
		for _, k := range known {
			if k.Folder == folder && !isMountPoint(k.Point) {
				m = k
			}
		}
		if m.Point != "" {
			list = append(list, m)
		}
	}
	return list
}

// keepMounts writes down the mounts for the next start.
func (ws *Workspace) keepMounts(store durable.Store, list []mount) error {
	path := filepath.Join(ws.Root, disksFile)
	var known []mount
	if err := readJSON(path, &known); err == nil && slices.Equal(known, list) || len(list) == 0 && !exists(path) {
		return nil
	}
	data, err := json.MarshalIndent(list, "", " ")
	if err != nil {
		return fmt.Errorf("describe disks: %w", err)
	}
	if err := store.Remove(path); err != nil || len(list) == 0 {
		return err
	}
	return store.Write(path, data, filePerm)
}

// diskPatience is how often a disk that was taken off is looked for. Our choice.
const diskPatience = 10 * time.Second

// diskAway says what is wrong if finished/ or archive/ is not there, or is only what a
// disk that was taken off leaves in its place: nothing must be filed there, and it tells
// nothing of what was filed before. "" if all is there.
func (ws *Workspace) diskAway(mounts []mount) string {
	for _, m := range mounts {
		if !isMountPoint(m.Point) {
			return fmt.Sprintf("the disk of the folder %s has been taken off; put it back (if it is gone for good: stop lectern, delete %s in the workspace, start lectern again)",
				filepath.Base(m.Folder), disksFile)
		}
	}
	for _, folder := range []string{ws.Finished, ws.Archive} {
		if _, err := os.Stat(folder); errors.Is(err, fs.ErrNotExist) {
			return fmt.Sprintf("the folder %s is not there any more; put it, or its disk, back", filepath.Base(folder))
		}
	}
	return ""
}

// disksThere returns a waitError while a disk is away.
func (d *daemon) disksThere() error {
	if says := d.ws.diskAway(d.mounts); says != "" {
		return &waitError{diskPatience, "waiting, " + says}
	}
	return nil
}

// lookForDisks says, once, that a disk is away.
func (d *daemon) lookForDisks() {
	says := d.ws.diskAway(d.mounts)
	if d.trouble("away", says); says != "" {
		d.say(disksFile, "away", zap.WarnLevel, says)
		return
	}
	if _, was := d.said[disksFile]; was {
		d.log.Info("the disk is there again, work goes on")
		delete(d.said, disksFile)
	}
}
