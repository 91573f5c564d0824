package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"lectern/watcher/internal/durable"
)

// The fault tests let a machine fail for real: processes are killed, file systems
// lose their power, fill up, turn read-only. `go test -run TestFault -v ./watcher`
// runs them, in a short form, and prints one line for each row of the table in
// README.md; LECTERN_LONG=1 gives the figures of that table.

// isLong tells whether the long form is wanted.
func isLong() bool { return os.Getenv("LECTERN_LONG") != "" }

// inShort returns the number of tries of the short or of the long form.
func inShort(short, long int) int {
	if isLong() {
		return long
	}
	return short
}

// row prints a line of the table.
func row(t testing.TB, number, what string, tries, lost, wrong int, reached string, args ...any) {
	t.Helper()
	t.Logf("row %s | %s | %d | %d | %d | %s", number, what, tries, lost, wrong, fmt.Sprintf(reached, args...))
	if lost > 0 || wrong > 0 {
		t.Errorf("row %s: %d lost, %d wrong", number, lost, wrong)
	}
}

// amiss tells of an error of the oracle and counts it.
func amiss(t testing.TB, err error) int {
	t.Helper()
	if err == nil {
		return 0
	}
	t.Error(err)
	return 1
}

// needRoot skips where the machine cannot be made to fail.
func needRoot(t testing.TB, tools ...string) {
	t.Helper()
	if testing.Short() {
		t.Skip("left out of the short form")
	}
	if os.Getuid() != 0 {
		t.Skip("needs root, to mount file systems and to change what the system allows")
	}
	for _, tool := range tools {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skip(tool + " is not installed")
		}
	}
}

func command(t testing.TB, name string, args ...string) {
	t.Helper()
	if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
		t.Fatalf("%s %q: %v\n%s", name, args, err, out)
	}
}

// loopDisk is a file system of its own, in a file, whose power can be cut.
type loopDisk struct {
	t     testing.TB
	image string
	dir   string
}

// newLoopDisk makes and mounts an ext4 of so many megabytes. It skips where the
// machine has no loop devices to give.
func newLoopDisk(t testing.TB, megabytes int64) *loopDisk {
	t.Helper()
	return newDiskOf(t, megabytes, "mkfs.ext4", "-q", "-F")
}

// xfsMegabytes is the smallest XFS there is: mkfs.xfs refuses less than 300 MB.
const xfsMegabytes = 320

// newDiskOf does the same with what another program makes. The image is sparse.
func newDiskOf(t testing.TB, megabytes int64, mkfs ...string) *loopDisk {
	t.Helper()
	needRoot(t, mkfs[0], "mount", "umount")
	d := &loopDisk{t, filepath.Join(t.TempDir(), "image"), filepath.Join(t.TempDir(), "disk")}
	check(t, os.WriteFile(d.image, nil, 0o600))
	check(t, os.Truncate(d.image, megabytes<<20))
	check(t, os.Mkdir(d.dir, 0o755))
	command(t, mkfs[0], append(mkfs[1:], d.image)...)
	if out, err := exec.Command("mount", "-o", "loop", d.image, d.dir).CombinedOutput(); err != nil {
		t.Skipf("this machine gives no loop device: %v %s", err, out)
	}
	t.Cleanup(func() { exec.Command("umount", d.dir).Run() })
	return d
}

// again takes the disk off and mounts it anew, as a start after a power cut does.
func (d *loopDisk) again() {
	d.t.Helper()
	command(d.t, "umount", d.dir)
	command(d.t, "mount", "-o", "loop", d.image, d.dir)
}

// flushed makes everything on the disk durable.
func (d *loopDisk) flushed() {
	d.t.Helper()
	f, err := os.Open(d.dir)
	check(d.t, err)
	defer f.Close()
	check(d.t, unix.Syncfs(int(f.Fd())))
}

// cutPower lets a mounted ext4 or XFS fail at once, without writing its journal: the
// ioctl EXT4_IOC_SHUTDOWN with EXT4_GOING_FLAGS_NOLOGFLUSH (fs/ext4/ext4.h), which is
// XFS_IOC_GOINGDOWN with XFS_FSOP_GOING_FLAGS_NOLOGFLUSH (fs/xfs/libxfs/xfs_fs.h).
func cutPower(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	return unix.IoctlSetPointerInt(int(f.Fd()), 0x8004587d, 2)
}

// What a child of the fault tests is to do, through its environment.
const (
	driveEnv      = "LECTERN_TEST_DRIVE"    // the root of the workspace: one drive and out
	cutAtEnv      = "LECTERN_TEST_CUT_AT"   // cut the power before this call of the disk
	cutDiskEnv    = "LECTERN_TEST_CUT_DISK" // of this disk
	noFlushEnv    = "LECTERN_TEST_NO_FLUSH" // mutants: "files", "folders"
	archiveEnv    = "LECTERN_TEST_ARCHIVE"  // where archive/ lies, if elsewhere
	freezeAtEnv   = "LECTERN_TEST_FREEZE"   // stop like a sleeping computer before this call
	exitPowerless = 99
)

// faultDisk counts the calls that change a disk, cuts the power before one of them,
// and may forget to flush.
type faultDisk struct {
	durable.Disk
	calls, cutAt int
	freezeAt     int
	cutDisk      string
	noFlush      string
	onCall       func(n int) // nil: nothing happens
}

func (d *faultDisk) step() {
	d.calls++
	if d.onCall != nil {
		d.onCall(d.calls)
	}
	if d.calls == d.cutAt {
		d.cut()
	}
	if d.calls == d.freezeAt {
		// To this very thread, so that it does nothing more before it stops.
		_ = unix.Tgkill(os.Getpid(), unix.Gettid(), unix.SIGSTOP)
	}
}

func (d *faultDisk) cut() {
	if err := cutPower(d.cutDisk); err != nil {
		fmt.Fprintln(os.Stderr, "cut power:", err)
		os.Exit(1)
	}
	os.Exit(exitPowerless)
}

func (d *faultDisk) Mkdir(path string, perm fs.FileMode) error {
	d.step()
	return d.Disk.Mkdir(path, perm)
}

func (d *faultDisk) Create(path string, perm fs.FileMode) (durable.File, error) {
	d.step()
	f, err := d.Disk.Create(path, perm)
	return &faultFile{File: f, disk: d}, err
}

func (d *faultDisk) Append(path string, perm fs.FileMode) (durable.File, error) {
	d.step()
	f, err := d.Disk.Append(path, perm)
	return &faultFile{f, d, true}, err
}

func (d *faultDisk) Rename(from, to string) error {
	d.step()
	return d.Disk.Rename(from, to)
}

func (d *faultDisk) Take(dir, name, to string) error {
	d.step()
	return d.Disk.Take(dir, name, to)
}

func (d *faultDisk) Give(from, dir, name string) error {
	d.step()
	return d.Disk.Give(from, dir, name)
}

func (d *faultDisk) Replace(from, dir, name string) error {
	d.step()
	return d.Disk.Replace(from, dir, name)
}

func (d *faultDisk) Remove(path string) error {
	d.step()
	return d.Disk.Remove(path)
}

func (d *faultDisk) SyncDir(path string) error {
	d.step()
	if d.noFlush == "folders" {
		return nil
	}
	return d.Disk.SyncDir(path)
}

type faultFile struct {
	durable.File
	disk *faultDisk
	// appends tells that it is a diary. That is flushed last, and on a disk with a journal
	// such a flush takes the renames before it along, so a mutant that flushes no folders
	// flushes no diary, either.
	appends bool
}

func (f *faultFile) Write(data []byte) (int, error) {
	f.disk.step()
	return f.File.Write(data)
}

func (f *faultFile) Sync() error {
	f.disk.step()
	if f.disk.noFlush == "files" || f.disk.noFlush == "folders" && f.appends {
		return nil
	}
	return f.File.Sync()
}

// faultMain makes the test binary a faultChild, if it is to be one.
func faultMain() {
	if root := os.Getenv(driveEnv); root != "" {
		os.Exit(faultChild(root))
	}
	if text := os.Getenv(daemonEnv); text != "" {
		os.Exit(faultDaemon(text))
	}
}

// faultChild is one life of a daemon in a process of its own: it prints how many calls
// of the disk it made. With cutAtEnv set to -1 the power goes right after its end.
func faultChild(root string) int {
	runtime.LockOSThread() // strace counts the calls of each thread apart
	disk := &faultDisk{cutDisk: os.Getenv(cutDiskEnv), noFlush: os.Getenv(noFlushEnv)}
	disk.cutAt, _ = strconv.Atoi(os.Getenv(cutAtEnv))       // "": none
	disk.freezeAt, _ = strconv.Atoi(os.Getenv(freezeAtEnv)) // "": none
	archive := os.Getenv(archiveEnv)
	ws, err := Open(root, "", archive)
	if err == nil {
		err = drive(ws, disk)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	if disk.cutAt == -1 {
		disk.cut()
	}
	fmt.Println(disk.calls)
	return 0
}

// faultRun starts a faultChild, under a program such as strace if one is given, and
// returns how it ended and what it printed.
func faultRun(t testing.TB, root string, env []string, under ...string) (code int, out string) {
	t.Helper()
	exe, err := os.Executable()
	check(t, err)
	args := append(append([]string{}, under...), exe)
	cmd := exec.Command(args[0], args[1:]...)
	cmd.Env = append(append(os.Environ(), "GOMAXPROCS=1", driveEnv+"="+root), env...)
	data, err := cmd.CombinedOutput()
	var ended *exec.ExitError
	if err != nil && !errors.As(err, &ended) {
		t.Fatal(err)
	}
	return cmd.ProcessState.ExitCode(), strings.TrimSpace(string(data))
}

// faultLife is one workspace, and one protocol of crash_test.go to be carried out on
// it by a faultChild.
type faultLife struct {
	root     string
	ws       *Workspace
	dropped  map[string]int
	protocol int
	env      []string
}

// Protocols the faults are tried on.
const (
	secondRevision = "a second revision of a failed chapter"
	twoTakes       = "finished and archive on other disks"
)

// newFaultLife prepares a workspace below dir, its archive below another folder if one
// is given.
func newFaultLife(t testing.TB, protocol, dir, archiveDir string) faultLife {
	t.Helper()
	root, err := os.MkdirTemp(dir, "life")
	check(t, err)
	l := faultLife{root: root, dropped: map[string]int{}, protocol: -1}
	archive := ""
	if archiveDir != "" {
		archive, err = os.MkdirTemp(archiveDir, "life")
		check(t, err)
		l.env = append(l.env, archiveEnv+"="+archive)
	}
	l.ws = openWorkspace(t, l.root, "finished", archive)
	for i, p := range protocols {
		if p.name == protocol {
			l.protocol = i
		}
	}
	p := protocols[l.protocol]
	if p.before != nil {
		l.dropped = p.before(t, l.ws)
		check(t, drive(l.ws, &dyingDisk{}))
	}
	for sum, n := range p.drop(t, l.ws) {
		l.dropped[sum] = n
	}
	return l
}

// end is the oracle: the last life is over, in peace.
func (l *faultLife) end(t testing.TB) error {
	t.Helper()
	code, out := faultRun(t, l.root, l.env)
	if code != 0 {
		return fmt.Errorf("the last life: %s", out)
	}
	if err := invariant(l.ws, l.dropped, true); err != nil {
		return err
	}
	return l.finished()
}

// finished compares what is finished with what the protocol must come to.
func (l *faultLife) finished() error {
	p := protocols[l.protocol]
	made, err := filepath.Glob(filepath.Join(l.ws.Finished, "Tides", "*.mp3"))
	if err != nil || len(made) != 1 {
		return fmt.Errorf("finished holds %q (%w)", made, errors.Join(err))
	}
	data, err := os.ReadFile(made[0])
	if err != nil || string(data) != p.finished {
		return fmt.Errorf("the finished file is %q, want %q (%w)", data, p.finished, errors.Join(err))
	}
	recipes, err := filepath.Glob(filepath.Join(l.ws.Archive, "Tides", "*.recipe.json"))
	if err != nil || len(recipes) != p.revisions {
		return fmt.Errorf("%d recipes, want %d (%w)", len(recipes), p.revisions, errors.Join(err))
	}
	return nil
}

func (l *faultLife) remove(t testing.TB) {
	check(t, os.RemoveAll(l.root))
	check(t, os.RemoveAll(l.ws.Archive))
}
