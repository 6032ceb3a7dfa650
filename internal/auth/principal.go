package auth

import "time"

// Principal is a caller with a valid token. It holds no secret and is shared
// between requests with the same token: do not change it.
type Principal struct {
	Subject string // fhirUser where the token has one, else sub or the client, such as "Practitioner/n1"
	Client  string // client_id or azp
	Issuer  string
	TokenID string // jti
	Patient string // id of the patient in context, for patient scopes
	Scopes  Scopes
	Unknown int // how many scopes were not understood, and so not granted
	Expires time.Time
}

// Confined gives the patient to whom all of the caller's rights are limited;
// false when some scope reaches further.
func (p *Principal) Confined() (string, bool) {
	if p == nil || p.Patient == "" || p.Scopes.Empty() || p.Scopes.Has(User|System) {
		return "", false
	}
	return p.Patient, true
}
