package bulk

import (
	"encoding/json"
	"fmt"
	"time"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
)

// Phase is how far a job has come.
type Phase string

// The phases.
const (
	Waiting  Phase = "waiting"
	Running  Phase = "running"
	Complete Phase = "complete"
	Failed   Phase = "failed"
)

// Job is one export. It is kept in the store's State as JSON.
type Job struct {
	ID      string    `json:"id"`
	Phase   Phase     `json:"phase"`
	Request Request   `json:"request"`
	URL     string    `json:"url"` // of the kick-off, for the manifest
	Owner   Owner     `json:"owner"`
	Types   []string  `json:"types,omitempty"` // in the order of export; none for tables
	Members []string  `json:"members"`         // patients; null: everybody, an empty list: nobody
	Time    time.Time `json:"time"`            // transactionTime
	Created time.Time `json:"created"`
	Ended   time.Time `json:"ended,omitzero"`
	Expires time.Time `json:"expires,omitzero"`

	// Horizon is the place in the feed that is exported, From the one behind
	// which _since begins; both once Fixed.
	Fixed   bool  `json:"fixed,omitempty"`
	Horizon int64 `json:"horizon,omitempty"`
	From    int64 `json:"from,omitempty"`

	// What is done: whole units, and the place in the next one up to which its
	// files reach.
	Unit  int    `json:"unit,omitempty"`
	After int64  `json:"after,omitempty"`
	Files []File `json:"files,omitempty"`

	Fence    int64    `json:"fence,omitempty"` // of the lease's term in which it was last worked on
	Progress string   `json:"progress,omitempty"`
	Issues   []string `json:"issues,omitempty"` // for the error file
	Error    string   `json:"error,omitempty"`  // why it failed, in words for the client
}

// File is one finished file of a job.
type File struct {
	Name  string `json:"name"` // in the job's directory and in URLs, such as Observation-1.ndjson
	Role  Role   `json:"role"`
	Type  string `json:"type"`            // resource type
	Table string `json:"table,omitempty"` // of a flat table
	Month string `json:"month,omitempty"` // of its rows, such as 2026-11; "" where they are of several or of none
	Count int64  `json:"count"`
	Size  int64  `json:"size"` // on disk
	Term  int64  `json:"term"` // of the lease, in whose folder it lies
}

// Role is under which heading of the manifest a file stands.
type Role string

// The roles.
const (
	Output   Role = "output"
	Deleted  Role = "deleted"
	ErrorLog Role = "error"
)

// Owner is with whose rights a job runs, and who may fetch it.
type Owner struct {
	Issuer  string `json:"issuer,omitempty"`
	Subject string `json:"subject"`
	Client  string `json:"client,omitempty"`
	Scope   string `json:"scope"`
}

func ownerOf(who *auth.Principal) Owner {
	return Owner{Issuer: who.Issuer, Subject: who.Subject, Client: who.Client, Scope: who.Scopes.String()}
}

func (o Owner) principal() *auth.Principal {
	scopes, _ := auth.ParseScopes(o.Scope)
	return &auth.Principal{Issuer: o.Issuer, Subject: o.Subject, Client: o.Client, Scopes: scopes}
}

// is reports whether the caller is the one that asked for the job.
func (o Owner) is(who *auth.Principal) bool {
	return who != nil && o.Issuer == who.Issuer && o.Subject == who.Subject && o.Client == who.Client
}

// prefix of the names under which jobs are kept.
const prefix = "bulk/job/"

func decode(id string, value []byte) (*Job, error) {
	var j Job
	if err := json.Unmarshal(value, &j); err != nil {
		return nil, fault.Wrap(err, "read the export job "+id)
	}
	return &j, nil
}

func unknownJob() error {
	return fault.New(fault.NotFound, "not-found", "This export does not exist; it may have expired or been deleted. Start it again.")
}

// note adds an issue for the error file, but not without end.
func (j *Job) note(format string, args ...any) {
	const most = 1000
	if len(j.Issues) < most {
		j.Issues = append(j.Issues, fmt.Sprintf(format, args...))
	}
}
