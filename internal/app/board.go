package app

import (
	"math/big"
	"net/http"
	"net/url"

	"tidemark/api/board"
	"tidemark/internal/drain"
)

// boardSettings are what the ward page needs of the policy in force; of a ward's
// own part of it, where there is one.
func (a *App) boardSettings(ward string) board.Settings {
	var places []string
	if ward != "" {
		places = []string{ward}
	}
	s := a.policy.Load().For(places, drain.Drain{})
	fill := s.Due.HalfFraction
	if fill == nil {
		fill = big.NewRat(1, 2)
	}
	out := board.Settings{
		Zone: s.Calendar.Zone.String(), DayStart: s.Calendar.DayStart.String(), Interval: s.Due.Limit.Hours(),
		Fill: float(fill) * 100, Capacity: float(s.Due.DefaultCapacity.Rat()),
		Vessels: map[string]board.Vessel{}, Actions: s.Actions, Approved: s.Approved, SignIn: a.signIn(),
	}
	for _, shift := range s.Calendar.Shifts {
		out.Shifts = append(out.Shifts, shift.Start.String())
	}
	for v, spec := range s.Balance.Vessels {
		out.Vessels[string(v)] = board.Vessel{Capacity: float(spec.Capacity.Rat()), Graduation: float(spec.Graduation.Rat())}
	}
	return out
}

// signIn is nil where tokens are pasted.
func (a *App) signIn() *board.SignIn {
	if a.cfg.BoardClient == "" {
		return nil
	}
	in := board.SignIn{Issuer: a.cfg.Issuer, Client: a.cfg.BoardClient, Scope: a.cfg.BoardScope, FHIR: a.base}
	// An audience that is a URL is a resource that can be asked for (RFC 8707).
	if u, err := url.Parse(a.cfg.Audience); err == nil && u.Host != "" {
		in.Resource = a.cfg.Audience
	}
	return &in
}

// float is for a page that draws; nothing is computed from it.
func float(r *big.Rat) float64 {
	f, _ := r.Float64()
	return f
}

// welcome is the page at the root.
func welcome(w http.ResponseWriter, _ *http.Request) {
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
	// A client that disconnects while it reads cannot be told.
	_, _ = w.Write([]byte(welcomePage))
}

const welcomePage = `<!doctype html>
<html lang="en">
<head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><meta name="color-scheme" content="light dark"><title>Tidemark</title></head>
<body>
<main>
<h1>Tidemark</h1>
<p>Output of closed-suction surgical drains, as FHIR R4.</p>
<ul>
<li><a href="board/">The ward page</a>: look at drains and chart them</li>
<li><a href="docs">The interface</a>, by task, with requests that can be sent from the page</li>
<li><a href="fhir/metadata">What the server claims</a>; the FHIR base is <code>/fhir</code></li>
</ul>
<h2>First steps</h2>
<ol>
<li>Get a token: <code>tidemark token --role nurse --subject Practitioner/n1</code>. <code>tidemark demo</code> prints a link that opens the ward page signed in.</li>
<li>Register a patient, a drain and its placement, post an emptying, and ask what it amounts to: the section “The first ten minutes” of the README has the requests, to paste in order.</li>
</ol>
<p><strong>The service informs, it does not diagnose.</strong> Thresholds are examples until the hospital approves its own policy. Local protocol and the licensed clinician decide. When in doubt, go to the bedside. A silent service is not a safe patient.</p>
</main>
</body>
</html>
`
