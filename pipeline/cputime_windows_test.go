package pipeline

import "time"

var began = time.Now()

// processorTime is the time that has gone by; good enough where nobody holds one step
// against another.
func processorTime() time.Duration { return time.Since(began) }
