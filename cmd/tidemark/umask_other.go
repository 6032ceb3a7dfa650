//go:build !unix

package main

// private is for systems with a mask; elsewhere the folder's own rights hold.
func private() {}
