package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// ErrNotWorkspace reports a folder without what `lectern init` makes.
var ErrNotWorkspace = errors.New("this folder is no workspace; make one with: lectern init")

// Workspace holds the absolute paths of the five folders and their root.
type Workspace struct {
	Root, Inbox, Working, Finished, Archive, SetAside string
}

// SettingsFile is the file at the root that makes a folder a workspace.
const SettingsFile = "lectern.toml"

// Folders belong to the program alone; the inbox is also written by others of
// the same group.
const (
	folderPerm fs.FileMode = 0o750
	inboxPerm  fs.FileMode = 0o770
	filePerm   fs.FileMode = 0o640
)

// Open finds the workspace at root. finished and archive are as in its
// settings: relative to root, or absolute. Missing ones are made again if they
// belong below root; elsewhere a missing folder is an unplugged disk, and an
// error. A root that is no workspace is an ErrNotWorkspace.
func Open(root, finished, archive string) (*Workspace, error) {
	ws, err := layout(root)
	if err != nil {
		return nil, err
	}
	for _, path := range []string{filepath.Join(ws.Root, SettingsFile), ws.Inbox, ws.Working, ws.SetAside} {
		if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%w (there is no %s in %q)", ErrNotWorkspace, filepath.Base(path), ws.Root)
		} else if err != nil {
			return nil, fmt.Errorf("open workspace: %w", err)
		}
	}
	if ws.Finished, err = ws.place(finished, "finished"); err != nil {
		return nil, err
	}
	if ws.Archive, err = ws.place(archive, "archive"); err != nil {
		return nil, err
	}
	return ws, nil
}

// Create makes the folders of a workspace, as far as they are missing. It
// leaves what is there alone and writes no settings.
func Create(root string) error {
	ws, err := layout(root)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(ws.Root, folderPerm); err != nil {
		return fmt.Errorf("make workspace: %w", err)
	}
	for path, perm := range map[string]fs.FileMode{
		ws.Inbox: inboxPerm, ws.Working: folderPerm, ws.SetAside: folderPerm,
		filepath.Join(ws.Root, "finished"): folderPerm, filepath.Join(ws.Root, "archive"): folderPerm,
	} {
		if err := os.Mkdir(path, perm); err != nil && !errors.Is(err, fs.ErrExist) {
			return fmt.Errorf("make workspace: %w", err)
		}
	}
	return nil
}

func layout(root string) (*Workspace, error) {
	root, err := filepath.Abs(root)
	if err != nil {
		return nil, fmt.Errorf("find workspace: %w", err)
	}
	return &Workspace{
		Root: root, Inbox: filepath.Join(root, "inbox"),
		Working: filepath.Join(root, "working"), SetAside: filepath.Join(root, "setaside"),
	}, nil
}

// place resolves a folder that the settings may put elsewhere.
func (ws *Workspace) place(setting, usual string) (string, error) {
	if setting == "" {
		setting = usual
	}
	if filepath.IsLocal(setting) {
		path := filepath.Join(ws.Root, setting)
		if err := os.MkdirAll(path, folderPerm); err != nil {
			return "", fmt.Errorf("make folder %s: %w", usual, err)
		}
		return path, nil
	}
	path := setting
	if !filepath.IsAbs(path) {
		path = filepath.Join(ws.Root, path)
	}
	info, err := os.Stat(path)
	if err == nil && !info.IsDir() {
		err = errors.New("it is not a folder")
	}
	if err != nil {
		return "", fmt.Errorf("the %s folder %q cannot be used; is its disk plugged in? If it is new, make the folder first: %w",
			usual, path, err)
	}
	return path, nil
}

// at resolves a place of a plan. A job's own files are below its folder.
func (ws *Workspace) at(p place, jobDir string) string {
	base := map[string]string{
		"job": jobDir, "finished": ws.Finished, "archive": ws.Archive, "setaside": ws.SetAside,
	}[p.In]
	return filepath.Join(base, filepath.FromSlash(p.Path))
}
