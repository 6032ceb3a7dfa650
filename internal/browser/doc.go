// Package browser tests the ward page, the interface reference and sign-in in
// headless Chromium against the real binary. It has tests only, in a module of
// its own, because they take minutes.
package browser
