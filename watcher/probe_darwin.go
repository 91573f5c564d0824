package watcher

import (
	"context"
	"io/fs"
	"syscall"
)

// tryLimits has nothing to ask: no folder is watched here (see pollsByDefault).
func (p *prober) tryLimits(context.Context) {}

// liesInCloud tells whether the bytes of a file lie elsewhere and are fetched when read.
func liesInCloud(info fs.FileInfo) bool {
	st, ok := info.Sys().(*syscall.Stat_t)
	return ok && st.Flags&dataless != 0
}
