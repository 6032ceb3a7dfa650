// Package tree owns the tests about the source tree itself: which package may
// import which, what every package must have, and what the shipped program
// must not contain. It has no code.
package tree
