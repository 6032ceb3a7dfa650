package api

import (
	"context"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// versionPart separates the version from the rest of a reference.
const versionPart = "/_history/"

// link replaces the Bundle's own URLs by the ids that its resources get. It then
// resolves conditional references, which R4 resolves last: they see what the other
// entries write.
func (s *Server) link(ctx context.Context, in *Interaction, items []*item) error {
	l := linker{s: s, ctx: ctx, at: map[string]*item{}}
	for _, it := range items {
		if it.fullURL == "" || it.key.ID == "" || it.step == deletes {
			continue
		}
		if _, twice := l.at[it.fullURL]; twice {
			return fault.At(fault.Invalid, "duplicate", "Bundle.entry["+strconv.Itoa(it.index)+"].fullUrl", "The fullUrl stands on two entries.")
		}
		l.at[it.fullURL] = it
	}
	var later []conditional
	for _, it := range items {
		if it.in.Body == nil {
			continue
		}
		more, err := l.rewrite(it)
		if err != nil {
			return atEntry(err, it.index)
		}
		later = append(later, more...)
	}
	if len(later) == 0 {
		return nil
	}
	asked := map[string]*item{}
	for _, it := range items {
		if it.asked != "" {
			asked[it.asked] = it
		}
	}
	made, err := s.makes(ctx, items)
	if err != nil {
		return err
	}
	for _, c := range later {
		key, err := s.referred(ctx, in, c.site, asked, made)
		if err != nil {
			return atEntry(err, c.item.index)
		}
		c.site.Node.Get("reference").Text = key
	}
	return nil
}

type linker struct {
	s   *Server
	ctx context.Context
	at  map[string]*item // by fullUrl
}

// conditional is a reference such as Patient?identifier=system|value.
type conditional struct {
	item *item
	site r4.Site
}

// rewrite replaces the urls in the resource of one entry.
func (l linker) rewrite(it *item) (later []conditional, err error) {
	find := func(u string) *item {
		if to := l.at[u]; to != nil {
			return to
		}
		// A relative reference refers to the entry whose fullUrl has the same base.
		if i := strings.LastIndex(it.fullURL, "/"+it.in.Type+"/"); i > 0 {
			return l.at[it.fullURL[:i]+"/"+u]
		}
		return nil
	}
	replace := func(u string) string {
		if to := find(u); to != nil {
			return to.key.String()
		}
		// A versioned reference stays versioned, and names the version that the
		// transaction writes, whatever number it had.
		base, _, versioned := strings.Cut(u, versionPart)
		if !versioned {
			return u
		}
		to := find(base)
		if to == nil {
			return u
		}
		if err == nil {
			err = l.s.foresee(l.ctx, to)
		}
		return to.key.String() + versionPart + strconv.FormatInt(to.version, 10)
	}
	for _, site := range r4.References(it.in.Body) {
		ref := site.Node.Get("reference")
		switch {
		case ref == nil || ref.Kind != fhirjson.String:
		case r4.ConditionalReference(ref.Text):
			later = append(later, conditional{it, site})
		default:
			ref.Text = replace(ref.Text)
		}
	}
	for _, site := range r4.Links(it.in.Body) {
		if site.Node.Kind != fhirjson.String {
			continue
		}
		switch site.Type {
		case "xhtml":
			site.Node.Text = r4.RewriteNarrative(site.Node.Text, replace)
		case "uuid", "oid":
			// These types hold no relative URL: a uuid becomes that of the new
			// id, where that is one, and an oid stays.
			if to := find(site.Node.Text); to != nil && site.Type == "uuid" {
				if id, err := uuid.Parse(to.key.ID); err == nil && id.String() == to.key.ID {
					site.Node.Text = id.URN()
				}
			}
		default:
			site.Node.Text = replace(site.Node.Text)
		}
	}
	return later, err
}

// foresee records the version that the transaction will write of an entry.
func (s *Server) foresee(ctx context.Context, it *item) error {
	if it.version > 0 {
		return nil
	}
	it.version = 1
	if it.step == posts {
		return nil
	}
	v, err := s.store.Read(ctx, it.key)
	if fault.Is(err, fault.NotFound) {
		return nil
	}
	it.version = v.Number + 1
	return err
}

// made is the store as the transaction will leave it: resources that it changes or
// deletes no longer match as they are stored.
type made struct {
	touched map[store.Key]bool
	docs    []search.Doc
}

func (s *Server) makes(ctx context.Context, items []*item) (made, error) {
	m := made{touched: map[store.Key]bool{}}
	for _, it := range items {
		if it.key.ID == "" || it.answer != nil || it.same != nil {
			continue
		}
		m.touched[it.key] = true
		n := it.in.Body
		switch it.step {
		case deletes:
			continue
		case puts:
			if it.in.Verb != "PUT" {
				try := *it.in
				p, err := s.planPatch(ctx, &try)
				if err != nil {
					return m, atEntry(err, it.index)
				}
				n = p.change.Resource
			}
		}
		n = n.Clone()
		n.Set("id", fhirjson.Str(it.key.ID))
		m.docs = append(m.docs, search.Extract(n, s.extract))
	}
	return m, nil
}

// referred finds what a conditional reference refers to.
func (s *Server) referred(ctx context.Context, in *Interaction, site r4.Site, asked map[string]*item, m made) (string, error) {
	typ, query, _ := strings.Cut(site.Node.Str("reference"), "?")
	if types[typ] == absent {
		return "", fault.At(fault.Precondition, "not-supported", site.Path, "This service keeps no %s to refer to.", typ)
	}
	pairs, err := search.ParsePairs(query)
	if err != nil {
		return "", fault.At(fault.Invalid, "value", site.Path, "%v", err)
	}
	if it := asked[condition(typ, pairs)]; it != nil { // an entry is about the same
		return it.key.String(), nil
	}
	as := &Interaction{Type: typ, Who: in.Who}
	q, err := s.criteria(as, pairs)
	if err == nil {
		err = s.resolve(ctx, as, &q)
	}
	if err != nil {
		return "", err
	}
	stored, err := s.two(ctx, q, m.touched)
	if err != nil {
		return "", err
	}
	var found []string
	for _, v := range stored {
		found = append(found, v.Key.String())
	}
	for _, d := range m.docs {
		if q.Match(d) {
			found = append(found, store.Key{Type: d.Type, ID: d.ID}.String())
		}
	}
	switch len(found) {
	case 0:
		return "", fault.At(fault.Precondition, "not-found", site.Path, "The conditional reference matches nothing.")
	case 1:
		return found[0], nil
	}
	return "", fault.At(fault.Precondition, "multiple-matches", site.Path, "The conditional reference matches several resources; make it select one.")
}

// two finds at most two matches outside those left out, which is enough to tell
// whether there is exactly one.
func (s *Server) two(ctx context.Context, q search.Query, but map[store.Key]bool) ([]store.Version, error) {
	var out []store.Version
	q.Count = min(2+len(but), store.MaxPage)
	for {
		page, err := s.store.Search(ctx, q)
		if err != nil {
			return nil, err
		}
		for _, v := range page.Matches {
			if !but[v.Key] {
				out = append(out, v)
			}
		}
		if len(out) > 1 || page.Next == "" {
			return out[:min(len(out), 2)], nil
		}
		q.Cursor = page.Next
	}
}
