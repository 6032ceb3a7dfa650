package notify

import (
	"encoding/json"
	"errors"

	"tidemark/internal/auth"
	"tidemark/internal/fhirjson"
)

// Owner is with whose rights a subscription is served.
type Owner struct {
	Issuer  string `json:"issuer,omitempty"`
	Subject string `json:"subject"`
	Client  string `json:"client,omitempty"`
	Patient string `json:"patient,omitempty"`
	Scope   string `json:"scope"`
	// Run tells one life of the subscription from the next: it changes when
	// the subscription was off, and progress of an earlier run does not count.
	Run string `json:"run"`
}

func ownerOf(who *auth.Principal, run string) Owner {
	return Owner{Issuer: who.Issuer, Subject: who.Subject, Client: who.Client, Patient: who.Patient, Scope: who.Scopes.String(), Run: run}
}

// Principal is the owner as a caller, for tests of rights.
func (o Owner) Principal() *auth.Principal {
	scopes, _ := auth.ParseScopes(o.Scope)
	return &auth.Principal{Issuer: o.Issuer, Subject: o.Subject, Client: o.Client, Patient: o.Patient, Scopes: scopes}
}

// same reports whether two owners are one party; their scopes may differ.
func (o Owner) same(p Owner) bool {
	return o.Issuer == p.Issuer && o.Subject == p.Subject && o.Client == p.Client
}

var errOwner = errors.New("the subscription does not say whose rights it has")

// readOwner finds the owner in a stored Subscription.
func readOwner(n *fhirjson.Node) (Owner, error) {
	for _, x := range n.Each("extension") {
		if x.Str("url") != Canonical {
			continue
		}
		var o Owner
		if json.Unmarshal([]byte(x.Str("valueString")), &o) != nil {
			return Owner{}, errOwner
		}
		return o, nil
	}
	return Owner{}, errOwner
}

// setOwner writes the owner over whatever stands there.
func setOwner(n *fhirjson.Node, o Owner) error {
	text, err := json.Marshal(o)
	if err != nil {
		return err
	}
	dropOwner(n)
	items := append(n.Each("extension"), fhirjson.Obj("url", Canonical, "valueString", string(text)))
	n.Set("extension", &fhirjson.Node{Kind: fhirjson.Array, Items: items})
	return nil
}

func dropOwner(n *fhirjson.Node) {
	if n.Get("extension") == nil {
		return
	}
	var keep []*fhirjson.Node
	for _, x := range n.Each("extension") {
		if x.Str("url") != Canonical {
			keep = append(keep, x)
		}
	}
	if len(keep) == 0 {
		n.Delete("extension")
		return
	}
	n.Set("extension", &fhirjson.Node{Kind: fhirjson.Array, Items: keep})
}
