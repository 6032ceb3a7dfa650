//go:build unix

package main

import "syscall"

// private: what the program writes is about patients, and no file is for other users.
func private() { syscall.Umask(0o077) }
