package watcher

import (
	"io/fs"
	"path/filepath"

	"lectern/watcher/internal/durable"
)

// hookDisk is a Disk that asks before every call whether it is to be done, and follows
// which files and folders have changed since they were flushed.
type hookDisk struct {
	durable.Disk
	before  func(call, path string) error
	calls   int
	unsaved map[string]bool
	log     []string
}

func (d *hookDisk) ask(call, path string) error {
	d.calls++
	d.log = append(d.log, call+" "+filepath.Base(path))
	if d.before != nil {
		return d.before(call, path)
	}
	return nil
}

func (d *hookDisk) changed(err error, paths ...string) error {
	for _, path := range paths {
		if d.unsaved == nil {
			d.unsaved = map[string]bool{}
		}
		d.unsaved[path] = true
	}
	return err
}

func (d *hookDisk) Mkdir(path string, perm fs.FileMode) error {
	if err := d.ask("mkdir", path); err != nil {
		return err
	}
	return d.changed(d.Disk.Mkdir(path, perm), filepath.Dir(path))
}

func (d *hookDisk) Create(path string, perm fs.FileMode) (durable.File, error) {
	if err := d.ask("create", path); err != nil {
		return nil, err
	}
	f, err := d.Disk.Create(path, perm)
	return &hookFile{f, d, path}, d.changed(err, path, filepath.Dir(path))
}

func (d *hookDisk) Open(path string) (durable.File, error) {
	if err := d.ask("open", path); err != nil {
		return nil, err
	}
	f, err := d.Disk.Open(path)
	return &hookFile{f, d, path}, err
}

func (d *hookDisk) Rename(from, to string) error {
	if err := d.ask("rename", to); err != nil {
		return err
	}
	return d.changed(d.Disk.Rename(from, to), filepath.Dir(from), filepath.Dir(to))
}

func (d *hookDisk) Replace(from, dir, name string) error {
	if err := d.ask("replace", name); err != nil {
		return err
	}
	return d.changed(d.Disk.Replace(from, dir, name), filepath.Dir(from), dir)
}

func (d *hookDisk) Remove(path string) error {
	if err := d.ask("remove", path); err != nil {
		return err
	}
	delete(d.unsaved, path)
	return d.changed(d.Disk.Remove(path), filepath.Dir(path))
}

func (d *hookDisk) SyncDir(path string) error {
	if err := d.ask("flush folder", path); err != nil {
		return err
	}
	delete(d.unsaved, path)
	return nil
}

func (d *hookDisk) Settle(path string) error {
	if err := d.ask("settle", path); err != nil {
		return err
	}
	delete(d.unsaved, path)
	return nil
}

type hookFile struct {
	durable.File
	disk *hookDisk
	path string
}

func (f *hookFile) Read(p []byte) (int, error) {
	if err := f.disk.ask("read", f.path); err != nil {
		return 0, err
	}
	return f.File.Read(p)
}

func (f *hookFile) Write(p []byte) (int, error) {
	if err := f.disk.ask("write", f.path); err != nil {
		n, _ := f.File.Write(p[:len(p)/2]) // torn
		return n, err
	}
	f.disk.changed(nil, f.path)
	return f.File.Write(p)
}

func (f *hookFile) Sync() error {
	if err := f.disk.ask("flush", f.path); err != nil {
		return err
	}
	delete(f.disk.unsaved, f.path)
	return nil
}
