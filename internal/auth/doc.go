// Package auth owns who is calling and what they may do: it turns a bearer
// token into a [Principal], SMART App Launch 2 scopes into a [Grant], and keeps
// the local issuer of a single machine ([LocalKey]). It knows neither HTTP
// routes nor stored resources: package api asks it once for each interaction
// and applies the grant that it gets.
//
// # Threats and mitigations
//
//   - Forged tokens. Only asymmetric algorithms are read (RS, PS, ES with 256,
//     384, 512, and EdDSA), so neither "none" nor an HMAC with the public key as
//     its secret passes. The key comes from the configured issuer alone; "jwk",
//     "jku", "x5u" and "x5c" headers are never followed. A key must fit the
//     algorithm in type and curve, RSA keys have at least 2048 bits, and a key
//     id that occurs twice in the issuer's set is not trusted.
//   - Tokens meant for someone else. iss and aud are compared exactly, and typ,
//     where present, must be JWT or at+jwt, so that a logout or proof token of
//     the same issuer is not an access token.
//   - Old or early tokens. exp is required; exp and nbf bear [Skew] and no more.
//   - Parser tricks. Only the compact form without white space or spare base64
//     bits, at most [MaxToken] bytes, duplicate JSON members refused, any
//     "crit" header refused.
//   - Withdrawn keys. A key set is read again when its cache time is over, when
//     its file changes, and when an unknown key id shows up. A verified token is
//     remembered for at most a minute, and a key set that cannot be read again is
//     used no longer than a day.
//   - Floods. An unknown key id asks the issuer at most once in ten seconds; all
//     waiting requests share that one call. Only valid tokens are cached,
//     and their number is bounded.
//   - An issuer that is down. Known keys go on working; an unknown one is
//     answered "unavailable", not "unauthenticated".
//   - Stolen key files. The local key is created with mode 0600, and a file that
//     others can read is refused.
//   - Leaks. No error, and nothing in a Principal, repeats the token or a part of
//     its signature; the cache holds digests only.
//   - Scopes that cannot be enforced. What does not follow the grammar is not
//     granted, and whoever cannot evaluate the query of a [Filter] must treat
//     it as matching nothing.
//
// What it does not stand against: a bearer token is good for whoever holds it,
// until it expires; there is no revocation list. A key set or issuer with a
// plain http address trusts the network between ([Config.Warnings] says so).
package auth
