package watcher

// answer is what a question about a file can come to.
type answer int

const (
	unknown answer = iota
	yes
	no
)
