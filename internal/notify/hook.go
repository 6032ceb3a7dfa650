package notify

import (
	"context"
	"net/url"

	"github.com/google/uuid"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

// mask stands for a value of channel.header in every answer.
const mask = "********"

// Redact removes from n, a Subscription, what no client may see: the values of
// channel.header, the secret that deliveries are signed with, and the owner.
func Redact(n *fhirjson.Node) {
	if n.Str("resourceType") != "Subscription" {
		return
	}
	dropOwner(n)
	for _, h := range n.Get("channel").Each("header") {
		h.Text = masked(h.Text)
	}
	if s := secretOf(n.Get("channel")); s != nil {
		s.Text = mask
	}
}

func masked(line string) string {
	name, _, ok := headerText(line)
	if !ok {
		return mask
	}
	return name + ": " + mask
}

// Hook checks a Subscription that a client is about to write and completes it:
// it restores masked header values and records the writer's rights. before is
// nil on a create.
//
// A subscription that is switched off is not checked, so that any writer may
// stop one that today's allow-list would refuse; its owner stays.
func (e *Engine) Hook(_ context.Context, who *auth.Principal, n, before *fhirjson.Node) error {
	if who == nil {
		return fault.New(fault.Unauthenticated, "login", "Send a bearer token in the Authorization header.")
	}
	status := n.Str("status")
	if status != "requested" && status != "off" {
		return fault.At(fault.Rule, "business-rule", "Subscription.status", "A client sets requested or off; only the service sets %q. Send requested to start or resume, off to stop.", shorten(status))
	}
	owner := ownerOf(who, uuid.NewString())
	old, err := readOwner(before)
	if err == nil {
		if before.Str("status") != "off" || before.Get("error") != nil { // given up, not switched off
			owner.Run = old.Run
		}
		if status == "off" {
			owner = old
		}
	}
	if err := restore(n, before, status == "off" || owner.same(old), owner.same(old)); err != nil {
		return err
	}
	n.Delete("error") // the service's own
	n.Delete("_error")
	if status == "requested" {
		s, err := e.rules.read(n, e.now())
		if err != nil {
			return err
		}
		if g := who.Grant(s.query.Type, auth.Read|auth.Search); !g.Allowed() {
			return auth.Missing(s.query.Type, auth.Read|auth.Search)
		}
	}
	if err := setOwner(n, owner); err != nil {
		return fault.Wrap(err, "keep the owner of a subscription")
	}
	return nil
}

// restore replaces masked values by the stored ones. They stay with the receiver for
// which they were given (allowed says whether the writer may reuse them there). Nobody
// but the owner can move them elsewhere, not even by a patch that leaves them unmasked.
func restore(n, before *fhirjson.Node, allowed, owner bool) error {
	var stored []string
	for _, h := range before.Get("channel").Each("header") {
		stored = append(stored, h.Text)
	}
	there := sameReceiver(n, before)
	refused := func(at, what string) error {
		return fault.At(fault.Rule, "business-rule", at, "The stored value of %s stays with its owner and its receiver; send the value itself, or create a new Subscription if you are not the owner.", shorten(what))
	}
	if s, old := secretOf(n.Get("channel")), secretOf(before.Get("channel")); s != nil && (s.Text == mask || old != nil && s.Text == old.Text) {
		isMask := s.Text == mask
		if old == nil || !(allowed && there || owner && !isMask) {
			return refused("Subscription.channel.extension", "the secret")
		}
		s.Text = old.Text
	}
	for _, h := range n.Get("channel").Each("header") {
		name, value, _ := headerText(h.Text)
		found := -1
		for i, line := range stored {
			if line != "" && (h.Text == masked(line) || h.Text == line) {
				found = i
				break
			}
		}
		isMask := value == mask || h.Text == mask
		switch {
		case found < 0 && !isMask:
			continue
		case found >= 0 && (isMask && allowed && there || !isMask && (owner || allowed && there)):
			h.Text, stored[found] = stored[found], ""
		default:
			return refused("Subscription.channel.header", "header "+name)
		}
	}
	return nil
}

func sameReceiver(a, b *fhirjson.Node) bool {
	u, err := url.Parse(a.Get("channel").Str("endpoint"))
	if err != nil {
		return false
	}
	v, err := url.Parse(b.Get("channel").Str("endpoint"))
	return err == nil && u.Scheme == v.Scheme && target(u) == target(v)
}
