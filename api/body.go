package api

import (
	"io"
	"time"

	"golang.org/x/sync/semaphore"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

// Limits of what one request, and all requests together, may hold in memory. OURS,
// chosen so that a transaction Bundle of the most entries fits.
const (
	maxValues  = 250_000  // JSON values of one body, some 30 MB as a tree
	maxPatch   = 1000     // operations of one patch, each of which walks the resource
	patchWork  = 64 << 20 // bytes walked by the operations of one patch, a second at most
	smallBody  = 64 << 10 // bytes; charting is never refused for the bodies of others
	allBodies  = 64 << 20 // bytes of all larger bodies that are being worked on
	retryAfter = time.Second
)

// bodies counts the bytes of the large bodies that are being worked on.
type bodies struct{ room *semaphore.Weighted }

func newBodies() bodies { return bodies{semaphore.NewWeighted(allBodies)} }

// reader reads a body and takes room for it as it arrives; release returns the room.
// large is called once, before more than largeBody is read.
func (b bodies) reader(r io.Reader, large func() error) *bodyReader {
	return &bodyReader{from: r, bodies: b, large: large}
}

type bodyReader struct {
	from       io.Reader
	bodies     bodies
	large      func() error
	read, held int64
}

func (r *bodyReader) Read(p []byte) (int, error) {
	n, err := r.from.Read(p)
	r.read += int64(n)
	if r.read > largeBody && r.large != nil {
		large := r.large
		r.large = nil
		if err := large(); err != nil {
			return 0, err
		}
	}
	if r.read > smallBody {
		if !r.bodies.room.TryAcquire(r.read - r.held) {
			return 0, &fault.Error{Kind: fault.Unavailable, RetryAfter: retryAfter, Issues: []fault.Issue{{
				Severity: fault.Err, Code: "throttled", Diagnostics: "Too many large bodies are being read at once; nothing was done. Send it again in a second, or in smaller parts.",
			}}}
		}
		r.held = r.read
	}
	return n, err
}

func (r *bodyReader) release() {
	if r != nil && r.held > 0 {
		r.bodies.room.Release(r.held)
		r.held = 0
	}
}

// parseBody parses what a client sent.
func parseBody(data []byte) (*fhirjson.Node, error) { return fhirjson.ParseAtMost(data, maxValues) }

// patchOperations refuses a patch that has too many operations or takes too much work:
// each operation may copy or compare the whole resource, including what earlier
// operations added.
func patchOperations(n, resource, patch int) error {
	if n > maxPatch {
		return fault.New(fault.TooLarge, "too-costly", "The patch has %d operations; at most %d are applied. Send the changed resource with PUT.", n, maxPatch)
	}
	if n*(resource+patch/2) > patchWork {
		return fault.New(fault.Rule, "too-costly", "The patch has %d operations on a resource of %d bytes, which is too much work; send the changed resource with PUT.", n, resource)
	}
	return nil
}
