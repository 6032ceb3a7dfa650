// Package bulk owns moving data in quantity: FHIR Bulk Data Access ($export of
// resources as NDJSON), the flat tables for analysts (CSV and Parquet) with
// their dictionary, and the reading and writing of NDJSON files between stores.
// It knows neither HTTP nor the rules; package api serves it, and what the
// figures of a table mean is package balance's.
//
// # What an export holds
//
// A job fixes transactionTime T when it is asked for, and its place S in the
// change feed once everything up to T is settled. Each resource is exported in
// the last version with Seq ≤ S: what others write meanwhile changes nothing.
// With _until, T is that time, and the export is the store as it was then.
// _since starts the walk at its place in the feed, so that an incremental
// export costs what has changed, not what is kept. It is inclusive: a client
// that asks _since the last transactionTime misses nothing and may see the
// resources of that one millisecond again.
//
// # Where a job lives
//
// The job is a value in the store's State, its files are gzip (Parquet: plain)
// below the data directory, readable by the service's user alone. One runner in
// all processes works (Options.Lease); it keeps its place at the end of each
// file, so that after a restart at most one file is written again. Several
// processes on one database need one shared directory for it. A job that
// cannot go on says so in its status.
//
// # Rights
//
// Scopes of the levels system and user count, patient scopes open no export.
// The caller's scopes are kept with the job, and every resource is evaluated by
// them, the version before a deletion included. Only the subject and client
// that asked get status and files.
package bulk
