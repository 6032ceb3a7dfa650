package api

import (
	"net/http"
	"net/netip"
	"slices"
	"strings"

	"tidemark/internal/fault"
)

// address is the client's. A trusted proxy is believed, and so is what it heard from
// another trusted proxy; anyone else could write anything.
func (s *Server) address(r *http.Request) string {
	port, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	at := port.Addr().Unmap()
	hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for _, hop := range slices.Backward(hops) {
		next, err := netip.ParseAddr(strings.TrimSpace(hop))
		if err != nil || !s.trusts(at) {
			break
		}
		at = next.Unmap()
	}
	return at.String()
}

func (s *Server) trusts(a netip.Addr) bool {
	return slices.ContainsFunc(s.trusted, func(p netip.Prefix) bool { return p.Contains(a) })
}

// behindTLS reports whether a trusted proxy says that the client came with TLS.
func (s *Server) behindTLS(r *http.Request) bool { return s.forwarded(r) == "https" }

// forwarded is the scheme by which a client came to a trusted proxy, else "".
func (s *Server) forwarded(r *http.Request) string {
	port, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil || !s.trusts(port.Addr().Unmap()) {
		return ""
	}
	return r.Header.Get("X-Forwarded-Proto")
}

// inClear refuses a request that reached a trusted proxy without TLS while the service
// is offered with it: the token could have been read in transit (RFC 6750, 5.3).
func (s *Server) inClear(r *http.Request) error {
	if s.forwarded(r) != "http" || !strings.HasPrefix(s.base, "https:") {
		return nil
	}
	return fault.New(fault.Forbidden, "security", "This request came without TLS. Use %s, and a new token: the one that was sent could be read on the way.", s.base)
}

// route names an interaction in the log, without ids and without names that a caller
// made up.
func (s *Server) route(in *Interaction) string {
	parts := []string{"/fhir"}
	if types[in.Type] != absent {
		parts = append(parts, in.Type)
	}
	if in.ID != "" {
		parts = append(parts, ":id")
	}
	if s.operations[in.Special] != nil || strings.HasPrefix(in.Special, "_") {
		parts = append(parts, in.Special)
	}
	if in.Version != "" {
		parts = append(parts, "_history", ":version")
	}
	return strings.Join(parts, "/")
}
