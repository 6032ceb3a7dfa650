package notify

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"strings"
	"syscall"
	"time"
)

// Targets is the allow-list of receivers.
type Targets struct {
	exact map[string]bool // host:port
	ports map[string]bool // port, on any public address
}

// ParseTargets reads an allow-list. An entry is host:port, which may be any
// address; or *:port, any host at that port as long as its address is a public
// one. An exact name is the operator's word that it is safe, also where it
// resolves to an address of the hospital's own network.
func ParseTargets(entries []string) (Targets, error) {
	t := Targets{exact: map[string]bool{}, ports: map[string]bool{}}
	for _, e := range entries {
		host, port, err := net.SplitHostPort(strings.TrimSpace(e))
		if err != nil || host == "" || !isPort(port) {
			return Targets{}, fmt.Errorf("the subscription target %q is not host:port, as in receiver.example.org:443 or *:443", e)
		}
		if host == "*" {
			t.ports[port] = true
			continue
		}
		t.exact[hostPort(host, port)] = true
	}
	return t, nil
}

func isPort(s string) bool {
	n := 0
	for _, r := range s {
		if r < '0' || r > '9' || n > 65535 {
			return false
		}
		n = n*10 + int(r-'0')
	}
	return s != "" && s[0] != '0' && n <= 65535
}

func hostPort(host, port string) string {
	return net.JoinHostPort(strings.ToLower(strings.TrimSuffix(host, ".")), port)
}

// target is the host:port that a URL leads to.
func target(u *url.URL) string {
	port := u.Port()
	if port == "" {
		port = "80"
		if u.Scheme == "https" {
			port = "443"
		}
	}
	return hostPort(u.Hostname(), port)
}

// admits reports whether the URL may be written into a subscription. Names
// are checked again by their address when connecting.
func (t Targets) admits(u *url.URL) bool {
	at := target(u)
	if t.exact[at] {
		return true
	}
	host, port, err := net.SplitHostPort(at)
	if err != nil || !t.ports[port] {
		return false
	}
	if ip, err := netip.ParseAddr(host); err == nil {
		return public(ip)
	}
	return host != "localhost" && !strings.HasSuffix(host, ".localhost")
}

// errAddress is why a connection was not opened.
var errAddress = errors.New("the receiver's address is not allowed")

// dial opens a connection for hostport after checking the address that its
// name resolved to, which may be another one than when the subscription was
// written.
func (t Targets) dial(ctx context.Context, network, hostport string) (net.Conn, error) {
	host, port, err := net.SplitHostPort(hostport)
	if err != nil {
		return nil, errAddress
	}
	named := t.exact[hostPort(host, port)]
	if !named && !t.ports[port] {
		return nil, errAddress
	}
	d := net.Dialer{Timeout: 5 * time.Second, Control: func(_, address string, _ syscall.RawConn) error {
		ap, err := netip.ParseAddrPort(address)
		if err != nil {
			return errAddress
		}
		ip := ap.Addr().WithZone("").Unmap()
		switch {
		case public(ip):
			return nil
		case named && t.exact[hostPort(ip.String(), port)]:
			return nil
		case named && !ip.IsUnspecified() && !ip.IsMulticast() && !ip.IsLinkLocalUnicast():
			// A link-local address behind a name is a cloud's metadata
			// service or a mistake; it has to be listed as an address.
			return nil
		}
		return errAddress
	}}
	return d.DialContext(ctx, network, hostport)
}

// special are the blocks that are not public beside what netip knows, from the
// IANA IPv4 and IPv6 Special-Purpose Address Registries (RFC 6890), and those
// that carry an IPv4 address inside (RFC 6052, 3056, 4380).
var special = prefixes("0.0.0.0/8", "100.64.0.0/10", "192.0.0.0/24", "192.0.2.0/24", "192.88.99.0/24", "198.18.0.0/15",
	"198.51.100.0/24", "203.0.113.0/24", "240.0.0.0/4", "::/96", "64:ff9b::/96", "64:ff9b:1::/48", "100::/64", "2001::/23",
	"2001:db8::/32", "2002::/16", "3fff::/20", "5f00::/16", "fec0::/10")

func prefixes(texts ...string) []netip.Prefix {
	out := make([]netip.Prefix, len(texts))
	for i, s := range texts {
		out[i] = netip.MustParsePrefix(s)
	}
	return out
}

func public(ip netip.Addr) bool {
	ip = ip.WithZone("").Unmap()
	if !ip.IsGlobalUnicast() || ip.IsPrivate() || ip.IsLoopback() || ip.IsLinkLocalUnicast() {
		return false
	}
	for _, p := range special {
		if p.Contains(ip) {
			return false
		}
	}
	return true
}
