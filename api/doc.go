// Package api owns the HTTP API of the service: routes, content negotiation,
// rights, and the one table from faults to statuses. Each request and each entry of a
// Bundle becomes an Interaction, so that both pass the same rights, handlers and audit. It is not an
// interface for other modules; its signatures name internal types.
package api
