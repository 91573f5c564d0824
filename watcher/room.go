package watcher

// Free tells how much an ordinary user may still write below a path, in bytes.
func Free(path string) (int64, error) { return freeBytes(path) }

// CountSetAside tells how many recordings lie in setaside.
func (ws *Workspace) CountSetAside() (int, error) {
	aside, err := ws.aside()
	return len(aside), err
}
