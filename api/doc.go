// Package api owns the HTTP API of the service: routes, content negotiation,
// who may do what, and the one table from faults to statuses. Each request
// becomes an Interaction, and each entry of a Bundle does too, so that both
// pass the same rights, the same handlers and the same audit. It is not an
// interface for other modules; its signatures name internal types.
package api
