package watcher

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// oddDisks are file systems that differ from a usual one, each with a way to mount it
// below a folder. One that this machine cannot mount is left out.
var oddDisks = []struct {
	kind  string
	mount func(t *testing.T) (dir string)
	// folds is set where two spellings of a name are one file.
	folds bool
}{
	{kind: "XFS", mount: func(t *testing.T) string { return newDiskOf(t, xfsMegabytes, "mkfs.xfs", "-q", "-f").dir }},
	{kind: "Btrfs", mount: func(t *testing.T) string { return newDiskOf(t, btrfsMegabytes, "mkfs.btrfs", "-q").dir }},
	// No hard links, no owners, and a driver that cannot rename without overwriting.
	{kind: "exFAT (exfat-fuse)", folds: true, mount: func(t *testing.T) string {
		needRoot(t, "mkfs.exfat", "mount.exfat-fuse")
		return mounted(t, "mount", "-t", "exfat-fuse", "-o", "loop", newImage(t, "mkfs.exfat"))
	}},
	{kind: "NTFS (ntfs-3g)", mount: func(t *testing.T) string { return newNTFS(t, "ntfs-3g", "windows_names") }},
	{kind: "NTFS that takes upper and lower case for one (lowntfs-3g)", folds: true,
		mount: func(t *testing.T) string { return newNTFS(t, "lowntfs-3g", "windows_names,ignore_case") }},
	{kind: "another disk seen through FUSE (bindfs)", mount: func(t *testing.T) string {
		needRoot(t, "bindfs")
		return mounted(t, "bindfs", t.TempDir())
	}},
	{kind: "overlay", mount: func(t *testing.T) string {
		needRoot(t, "mount")
		base := newTmpfs(t, "64m")
		for _, name := range []string{"lower", "upper", "work"} {
			check(t, os.Mkdir(filepath.Join(base, name), 0o755))
		}
		return mounted(t, "mount", "-t", "overlay", "overlay", "-o",
			fmt.Sprintf("lowerdir=%[1]s/lower,upperdir=%[1]s/upper,workdir=%[1]s/work", base))
	}},
}

// mounted runs a mounting program with a new folder behind its arguments.
func mounted(t *testing.T, name string, args ...string) string {
	t.Helper()
	dir := t.TempDir()
	if out, err := exec.Command(name, append(args, dir)...).CombinedOutput(); err != nil {
		t.Skipf("this machine cannot mount it: %v %s", err, out)
	}
	t.Cleanup(func() { exec.Command("umount", "-l", dir).Run() })
	return dir
}

func newNTFS(t *testing.T, driver, options string) string {
	t.Helper()
	needRoot(t, "mkntfs", "mount."+driver)
	return mounted(t, "mount", "-t", driver, "-o", "loop,"+options, newImage(t, "mkntfs", "-q", "-F", "-f"))
}

// newImage makes a file system in a file of 32 MB.
func newImage(t *testing.T, mkfs ...string) string {
	t.Helper()
	image := filepath.Join(t.TempDir(), "image")
	check(t, os.WriteFile(image, nil, 0o600))
	check(t, os.Truncate(image, 32<<20))
	command(t, mkfs[0], append(mkfs[1:], image)...)
	return image
}

// btrfsMegabytes is the smallest Btrfs there is: mkfs.btrfs refuses less than 109 MB.
const btrfsMegabytes = 128

// Every way through the protocol on every odd disk there is, and once with finished/
// and archive/ there and the rest elsewhere.
func TestFaultOddDisks(t *testing.T) {
	for _, odd := range oddDisks {
		t.Run(odd.kind, func(t *testing.T) {
			dir := odd.mount(t)
			tries, wrong := 0, 0
			for _, p := range protocols {
				if strings.Contains(p.name, "held by a second name") || strings.Contains(p.name, "under the name of a chapter") {
					continue // their workspace is made by hand, with what not every disk has
				}
				for _, archive := range []string{"", dir} {
					at := dir
					if archive != "" {
						at = memoryDisk()
					}
					l := newFaultLife(t, p.name, at, archive)
					err := drive(l.ws, &faultDisk{})
					err = errors.Join(err, invariant(l.ws, l.dropped, true))
					if p.finished != "" && p.ending == "" {
						err = errors.Join(err, l.finished())
					}
					tries++
					if err != nil {
						wrong++
						t.Errorf("%s, archive elsewhere: %v: %v", p.name, archive != "", err)
					}
					l.remove(t)
				}
			}
			wrong += spellings(t, dir, odd.folds)
			row(t, "-", odd.kind, tries+1, 0, wrong, "eight ways through the protocol, wholly there and with its archive there")
		})
	}
}

// spellings drops a chapter again under another spelling: it is a revision of the
// first, whatever the disk thinks of their names.
func spellings(t *testing.T, dir string, folds bool) (wrong int) {
	t.Helper()
	root, err := os.MkdirTemp(dir, "names")
	check(t, err)
	ws := openWorkspace(t, root, "finished", "archive")
	dropped := map[string]int{}
	for _, path := range []string{"M\u00e1s/03 Caf\u00e9.wav", "M\u00c1S/03 CAF\u00c9.wav"} {
		dropped[drop(t, ws, path, path)] = 1
		check(t, drive(ws, &faultDisk{}))
	}
	if _, err := os.Stat(filepath.Join(root, "INBOX")); (err == nil) != folds {
		t.Errorf("this disk folds names: %v, want %v", err == nil, folds)
		wrong++
	}
	recipes, err := filepath.Glob(filepath.Join(ws.Archive, "*", "*.r2.recipe.json"))
	if err == nil && len(recipes) != 1 {
		err = fmt.Errorf("%d second revisions", len(recipes))
	}
	return wrong + amiss(t, errors.Join(err, invariant(ws, dropped, true)))
}
