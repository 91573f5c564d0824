package watcher

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"lectern/watcher/internal/durable"
)

// owner says who works on a job. It is the content of the job's lease.
type owner struct {
	Host string `json:"host"`
	Boot string `json:"boot_id"`
	PID  int    `json:"pid"`
	// Run is drawn afresh by every Run, so that no two are mistaken for each other.
	Run string `json:"run"`
	// Count rises with every beat; other hosts watch it, not the clock.
	Count int `json:"count"`
	// Released is set on a clean stop: anybody may go on at once.
	Released bool `json:"released"`
}

// Our choice: a lease is renewed often enough that
// one missed beat, or ten, is no takeover.
const (
	leaseBeat = 30 * time.Second
	leaseLife = 10 * time.Minute // see Settings.leaseLife
)

// thisOwner describes this run. The host's name alone is no proof, since many
// machines are called the same; its machine id joins it where there is one.
func thisOwner(run string) owner {
	host, _ := os.Hostname() // "" is as good a name as any
	return owner{
		Host: host + " " + shortHash(firstLine("/etc/machine-id"), 4),
		Boot: firstLine("/proc/sys/kernel/random/boot_id"),
		PID:  os.Getpid(), Run: run,
	}
}

// firstLine returns a file's first line, or "" where there is no such file.
func firstLine(path string) string {
	data, _ := os.ReadFile(path) // the two files above exist on Linux only
	line, _, _ := strings.Cut(string(data), "\n")
	return line
}

// writeLease replaces a job's lease in one step. Which of two leases a power cut
// leaves does not matter, since the boot id tells that the owner is gone; but one of
// them must be whole, or the job would wait for the end of a lease nobody can read.
func writeLease(jobDir string, o owner) error {
	data, err := json.Marshal(o)
	if err != nil {
		return fmt.Errorf("write lease: %w", err)
	}
	temp := filepath.Join(jobDir, "lease.new")
	f, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, filePerm)
	if err != nil {
		return fmt.Errorf("write lease: %w", err)
	}
	_, err = f.Write(data)
	_ = durable.Flush(f) // a disk that cannot do it only makes the job wait, as said above
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("write lease: %w", err)
	}
	if err := os.Rename(temp, filepath.Join(jobDir, "lease")); err != nil {
		return fmt.Errorf("write lease: %w", err)
	}
	return nil
}

// ownerLives tells whether somebody works on a job, as far as can be seen from here:
// a process of this computer that lives, or another computer.
func ownerLives(jobDir string) bool {
	var o owner
	text, err := os.ReadFile(filepath.Join(jobDir, "lease"))
	if err != nil || json.Unmarshal(text, &o) != nil || o.Released {
		return false
	}
	here := thisOwner("")
	return o.Host != here.Host || o.Boot == here.Boot && processLives(o.PID)
}

// isGone tells whether another run on me's computer, and alone there, has ended.
func (o owner) isGone(me owner) bool {
	return o.Host == me.Host && (o.Boot != me.Boot || o.PID == me.PID || !processLives(o.PID))
}

// stale remembers another owner's lease between scans.
type stale struct {
	text  []byte
	since time.Time
}

// mayAdopt tells whether a job in working/ has lost its owner: released it,
// died on this host, or has not renewed its lease for leaseLife as seen from
// here.
func (d *daemon) mayAdopt(dir string, now time.Time) bool {
	text, _ := os.ReadFile(filepath.Join(dir, "lease")) // unreadable: as if never renewed
	var o owner
	if err := json.Unmarshal(text, &o); err == nil {
		switch {
		case o.Run == d.me.Run:
			return false
		case o.Released:
			return true
		case d.locked && o.isGone(d.me):
			return true
		}
	}
	seen, known := d.leases[dir]
	if !known || !bytes.Equal(seen.text, text) {
		d.leases[dir] = stale{text, now}
		return false
	}
	return now.Sub(seen.since) >= d.set.leaseLife
}
