package api

import (
	"context"
	"net/http"
	"slices"
	"strconv"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

// Topics answers for the Subscriptions; notify.Engine does.
type Topics interface {
	Topics() []string // canonical URLs
	Status(ctx context.Context, v store.Version) (*fhirjson.Node, error)
	Events(ctx context.Context, v store.Version, from, until int64, content string, may func(*fhirjson.Node) bool) (*fhirjson.Node, error)
}

// topicExtension lists a topic in CapabilityStatement.rest.resource, as the R5
// Backport for R4 says.
const topicExtension = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/capabilitystatement-subscriptiontopic-canonical"

// errNoTopics is for a server without deliveries.
func errNoTopics() error {
	return fault.New(fault.NotFound, "not-supported", "This service delivers no Subscriptions.")
}

// subscriptionStatus answers Subscription/{id}/$status of the R5 Backport for R4.
func subscriptionStatus(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("id", "status"); err != nil { // which an instance ignores
		return nil, err
	}
	if s.topics == nil {
		return nil, errNoTopics()
	}
	v, err := s.current(ctx, in, store.Key{Type: in.Type, ID: in.ID}, auth.Read)
	if err != nil {
		return nil, err
	}
	n, err := s.topics.Status(ctx, v)
	if err != nil {
		return nil, err
	}
	return &Answer{Status: http.StatusOK, Resource: n.Bytes()}, nil
}

// subscriptionEvents answers Subscription/{id}/$events. The right to the
// Subscription opens none of what it told: that is asked of each resource.
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
