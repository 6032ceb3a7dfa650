// Package notify owns R4 Subscriptions with the channel rest-hook: what a
// client may write (Hook), what others may see of it (Redact), and the Engine
// that matches changes and delivers them. It knows neither the wards' rules nor
// the HTTP API; both reach it through Store, Options.Update and Options.May.
//
// DELIVERIES.md is the contract with receivers, those of criteria and of topics.
//
// Each subscription that is served has a runner, which reads the change feed,
// keeps a window of what matches in memory, and sends the oldest of each drain.
// Runners with the same receiver share its endpoint, which is shut while nobody
// answers. Progress is stored at most a tenth of a second after the receiver accepted.
//
// A status that a runner sets itself (error while deliveries fail) is a version
// like any other; it does not start the runner anew.
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
const Canonical = fhirBase + "/StructureDefinition/subscription-owner"

const fhirBase = "http://tidemark.example.org/fhir"
