package app

import (
	"crypto/tls"
	"fmt"
	"os"
	"sync/atomic"
)

// certificate is that of the listener, read again when its files change.
type certificate struct {
	cert, key string
	now       atomic.Pointer[tls.Certificate]
}

// read loads the files, which must belong together; otherwise the previous ones stay.
func (c *certificate) read() error {
	pair, err := tls.LoadX509KeyPair(c.cert, c.key)
	if err != nil {
		return fmt.Errorf("--tls-cert %s and --tls-key %s cannot be used (%v)", c.cert, c.key, cause(err))
	}
	c.now.Store(&pair)
	return nil
}

func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.now.Load(), nil }

// stamp changes when one of the files does.
func stamp(files ...string) string {
	text := ""
	for _, f := range files {
		fi, err := os.Stat(f)
		if err != nil {
			return ""
		}
		text += fi.ModTime().String() + fmt.Sprint(fi.Size(), " ")
	}
	return text
}
