// Package notify owns R4 Subscriptions with the channel rest-hook: what a
// client may write (Hook), what others may see of it (Redact), and the Engine
// that matches changes and delivers them. It knows neither the wards' rules nor
// the HTTP face; both reach it through Store, Options.Update and Options.May.
//
// # What a receiver can rely on
//
// At least once: every change after the version that asked for the
// subscription (status requested) is delivered, however often the service is
// restarted or killed. Progress is kept a tenth of a second behind the
// receiver's yes (a status 2xx), so a kill may repeat the last ones; each
// request carries Tidemark-Sequence, which grows with the change feed, so that
// a receiver can drop what it has.
//
// In order per drain: a change is sent only after every earlier one of the
// same drain, and of the same resource, was accepted. A delivery that fails
// holds back its own drain; the others of the subscription pass, until window
// deliveries stand behind the oldest one. Then the subscription waits. No
// subscription waits for another, and no write waits for any.
//
// Every failure is retried, a 4xx too: receivers restart with a wrong route or
// an expired certificate of their own, and what they refuse today may be
// clinical. Pauses grow with jitter to five minutes and obey Retry-After. When
// one change has failed for Options.GiveUp the subscription goes to status
// error; a client that sends requested again resumes it where it stopped.
// A subscription that was off starts anew.
//
// Matching follows R4: the version as written must match the criteria. A
// deletion is matched by the version before it.
//
// # What is sent
//
//	payload             change            request
//	none                any               POST [endpoint], no body
//	full                create, update    PUT [endpoint]/Type/id, the version as written
//	full                deletion          DELETE [endpoint]/Type/id
//	id-only             any               POST [endpoint], a history Bundle without resources
//
// Payload application/fhir+json means full, as R4 core has it. R4 core knows
// no id-only; the backport extension backport-payload-content on the payload
// (empty, id-only, full-resource) selects it. Topics and handshakes of the
// backport are not offered.
//
// # Rights
//
// The rights of the last writer of the Subscription are kept in it, in an
// internal extension that Hook writes over whatever a client sends and Redact
// removes. Each delivery is tested against them, for the version that is sent
// and for the current one, so that a label set meanwhile counts. The token's
// expiry does not end a subscription; end does.
package notify

// Canonical is the URL of the internal extension that holds the owner.
const Canonical = "http://tidemark.example.org/fhir/StructureDefinition/subscription-owner"
