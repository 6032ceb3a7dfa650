package api

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"slices"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
)

// A page link carries the sort position where its page begins. A client that could
// write one would learn where hidden resources sort, so the position is signed, and
// only what the service wrote is accepted.

// pageMark is what a page link carries.
type pageMark struct {
	Cursor string   `json:"c"`
	Trail  []string `json:"t,omitempty"` // of the pages before, the last first; "" is the first page
}

// maxTrail is how many pages back the previous links reach; first reaches further.
const maxTrail = 16

const (
	pageKeyName = "page-key" // in the store, since any process may be asked for the next page
	pageKeySize = 32
	macSize     = 16
)

// signingKey reads the key of this deployment, and creates it the first time.
func (s *Server) signingKey(ctx context.Context) ([]byte, error) {
	if k := s.pageKey.Load(); k != nil {
		return *k, nil
	}
	for {
		key, rev, err := s.store.State(ctx, pageKeyName)
		if err == nil && rev == 0 {
			key = make([]byte, pageKeySize)
			_, _ = rand.Read(key) // never fails
			_, err = s.store.SetState(ctx, pageKeyName, key, 0)
			if fault.Is(err, fault.Precondition) {
				continue // another process made one
			}
		}
		if err != nil {
			return nil, err
		}
		s.pageKey.Store(&key)
		return key, nil
	}
}

func sign(key, data []byte) []byte {
	m := hmac.New(sha256.New, key)
	m.Write(data)
	return m.Sum(nil)[:macSize]
}

// openCursor verifies the page link that a request followed, and puts the store's own
// cursor into the query.
func (s *Server) openCursor(ctx context.Context, in *Interaction) error {
	marked := func(p search.Pair) bool { return p.Name == search.CursorParam && p.Value != "" }
	i := slices.IndexFunc(in.Query, marked)
	if i < 0 || in.cursor != "" {
		return nil
	}
	bad := fault.New(fault.Invalid, "value", "The page link does not belong to this search; follow the links of the response, or search again without it.")
	if slices.ContainsFunc(in.Query[i+1:], marked) {
		return bad
	}
	b, err := base64.RawURLEncoding.Strict().DecodeString(in.Query[i].Value)
	if err != nil || len(b) < macSize {
		return bad
	}
	key, err := s.signingKey(ctx)
	if err != nil {
		return err
	}
	var p pageMark
	if !hmac.Equal(b[:macSize], sign(key, b[macSize:])) || json.Unmarshal(b[macSize:], &p) != nil || p.Cursor == "" {
		return bad
	}
	in.cursor, in.trail = p.Cursor, p.Trail
	in.Query = slices.Clone(in.Query)
	in.Query[i].Value = p.Cursor
	return nil
}

// pageLinks are the links of a page: itself, and the first, previous and next
// one where there are such.
func (s *Server) pageLinks(ctx context.Context, in *Interaction, base string, used []search.Pair, next string) (*fhirjson.Node, error) {
	out := &fhirjson.Node{Kind: fhirjson.Array}
	var key []byte
	add := func(relation, cursor string, trail []string) {
		sealed := ""
		if cursor != "" {
			b, _ := json.Marshal(pageMark{cursor, trail[:min(len(trail), maxTrail)]}) // plain texts always marshal
			sealed = base64.RawURLEncoding.EncodeToString(append(sign(key, b), b...))
		}
		out.Items = append(out.Items, link(relation, base, used, sealed))
	}
	if in.cursor != "" || next != "" {
		var err error
		if key, err = s.signingKey(ctx); err != nil {
			return nil, err
		}
	}
	add("self", in.cursor, in.trail)
	if in.cursor != "" {
		add("first", "", nil)
		if len(in.trail) > 0 {
			add("previous", in.trail[0], in.trail[1:])
		}
	}
	if next != "" {
		add("next", next, append([]string{in.cursor}, in.trail...))
	}
	return out, nil
}
