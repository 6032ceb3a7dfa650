//go:build !linux

package sqlite

// forget is needed and possible on Linux only.
func (s *Store) forget() {}
