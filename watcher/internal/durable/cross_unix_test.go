//go:build unix

package durable_test

import "syscall"

const crossDevice = syscall.EXDEV
