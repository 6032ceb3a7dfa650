// Package readers holds what the service gives out against readers that this
// project did not write: the flat tables of $export against DuckDB, /metrics and
// the example alert rules against Prometheus's own parser and engine. It is a
// module of its own, so that neither reaches the program; it owns no product
// code.
package readers
