package api

import (
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// Topics answers for the Subscriptions; notify.Engine does.
type Topics interface {
	Topics() []string // canonical URLs
	Status(ctx context.Context, of []store.Version) (*fhirjson.Node, error)
	Events(ctx context.Context, v store.Version, from, until int64, content string, may func(*fhirjson.Node) bool) (*fhirjson.Node, error)
}

// topicExtension lists a topic in CapabilityStatement.rest.resource, as the R5
// Backport for R4 says.
const topicExtension = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/capabilitystatement-subscriptiontopic-canonical"

// errNoTopics is for a server without deliveries.
func errNoTopics() error {
	return fault.New(fault.NotFound, "not-supported", "This service delivers no Subscriptions.")
}

// subscriptionStatus answers $status of the R5 Backport for R4: of one Subscription,
// or of those that the parameters id and status name, as far as the caller may read
// them.
func subscriptionStatus(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("id", "status"); err != nil {
		return nil, err
	}
	if s.topics == nil {
		return nil, errNoTopics()
	}
	var of []store.Version
	if in.ID != "" { // an instance ignores both parameters
		v, err := s.current(ctx, in, store.Key{Type: in.Type, ID: in.ID}, auth.Read)
		if err != nil {
			return nil, err
		}
		of = append(of, v)
	} else {
		g, err := in.grant(in.Type, auth.Search)
		if err != nil {
			return nil, err
		}
		var pairs []search.Pair
		for param, name := range map[string]string{"_id": "id", "status": "status"} {
			if values := p.All(name); len(values) > 0 {
				pairs = append(pairs, search.Pair{Name: param, Value: strings.Join(values, ",")})
			}
		}
		q, _, err := search.ParseQuery(in.Type, pairs, s.parseOptions(true))
		if err != nil {
			return nil, err
		}
		q.Within, q.Count = s.within(in.Type, g), store.MaxPage
		page, err := s.store.Search(ctx, q)
		if err != nil {
			return nil, err
		}
		if page.Next != "" {
			return nil, fault.New(fault.Rule, "too-costly", "These are more than %d Subscriptions; name them by id, or narrow them by status.", store.MaxPage)
		}
		of = page.Matches
	}
	n, err := s.topics.Status(ctx, of)
	if err != nil {
		return nil, err
	}
	return &Answer{Status: http.StatusOK, Resource: n.Bytes()}, nil
}

// subscriptionEvents answers Subscription/{id}/$events. The right to the
// Subscription does not include its events: rights are checked for each resource.
func subscriptionEvents(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("eventsSinceNumber", "eventsUntilNumber", "content"); err != nil {
		return nil, err
	}
	var bounds [2]int64
	for i, name := range []string{"eventsSinceNumber", "eventsUntilNumber"} {
		text := p.Text(name)
		if text == "" {
			continue
		}
		var err error
		if bounds[i], err = strconv.ParseInt(text, 10, 64); err != nil || bounds[i] < 1 {
			return nil, fault.New(fault.Invalid, "value", "%s is the number of an event, from 1.", name)
		}
	}
	content := p.Text("content")
	if content != "" && !slices.Contains([]string{"empty", "id-only", "full-resource"}, content) {
		return nil, fault.New(fault.Invalid, "value", "content is empty, id-only or full-resource, not %q.", content)
	}
	if s.topics == nil {
		return nil, errNoTopics()
	}
	v, err := s.current(ctx, in, store.Key{Type: in.Type, ID: in.ID}, auth.Read)
	if err != nil {
		return nil, err
	}
	n, err := s.topics.Events(ctx, v, bounds[0], bounds[1], content, func(n *fhirjson.Node) bool {
		typ := n.Str("resourceType")
		return s.Permits(typ, in.Who.Grant(typ, auth.Read), n)
	})
	if err != nil {
		return nil, err
	}
	return &Answer{Status: http.StatusOK, Resource: n.Bytes()}, nil
}
