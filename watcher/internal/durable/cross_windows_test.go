package durable_test

import "golang.org/x/sys/windows"

const crossDevice = windows.ERROR_NOT_SAME_DEVICE
