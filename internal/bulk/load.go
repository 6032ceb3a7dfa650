package bulk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"tidemark/fhirmap"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
	"tidemark/internal/store"
)

// Counts are what became of the resources of an import or export.
type Counts struct {
	Read    int `json:"read"`
	Written int `json:"written"`
	Skipped int `json:"skipped"`
	Refused int `json:"refused"`
}

// String is the last line of the commands.
func (c Counts) String() string {
	return fmt.Sprintf("read %d, written %d, skipped %d, refused %d", c.Read, c.Written, c.Skipped, c.Refused)
}

// Item is one resource that is brought in.
type Item struct {
	Key  store.Key
	Tree *fhirjson.Node
	line int
	text []byte
}

// Target is where an import goes.
type Target interface {
	// Current gives what the target holds under the keys, nil where nothing.
	Current(ctx context.Context, keys []store.Key) ([]*fhirjson.Node, error)
	// Write creates or replaces the items, all or none. An error that is the
	// items' fault is a *fault.Error of a kind that Refusal knows.
	Write(ctx context.Context, items []Item) error
}

// Refusal reports whether an error is a no to what was sent, rather than
// trouble with whoever was to take it.
func Refusal(err error) bool {
	switch fault.Of(err).Kind {
	case fault.Invalid, fault.Rule, fault.Conflict, fault.Precondition, fault.TooLarge, fault.Method, fault.NotFound, fault.Gone:
		return true
	}
	return false
}

// ServiceTypes are not brought in with the others: a target makes its own
// findings and its own log, and an export holds a Subscription without its
// secrets and its writer's rights.
func ServiceTypes() []string { return []string{"AuditEvent", "DetectedIssue", "Subscription"} }

// Load brings the resources of NDJSON into a target, in order: a reference
// leads to what was brought in before. What the target holds already, member for
// member, is skipped, so that a load can be repeated.
type Load struct {
	Target Target
	Batch  int // resources to a transaction; 100 when 0
	// Refused takes each line that the target refused, with the reason.
	Refused func(line []byte, number int, why error) error
	// Settled is called when all lines up to an offset are done.
	Settled func(offset int64, lines int, c Counts) error

	counts Counts
	batch  []Item
	keys   map[store.Key]bool
}

// Run reads from r, of which offset bytes and lines lines were done before with
// the counts c.
func (l *Load) Run(ctx context.Context, r io.Reader, offset int64, lines int, c Counts) (Counts, error) {
	l.counts, l.batch, l.keys = c, nil, map[store.Key]bool{}
	if l.Batch == 0 {
		l.Batch = 100
	}
	in := NewLines(r, offset, lines)
	for {
		line, err := in.Next()
		if errors.Is(err, io.EOF) {
			return l.counts, l.flush(ctx, in)
		}
		if err != nil {
			return l.counts, err
		}
		if err := l.line(ctx, in, line); err != nil {
			return l.counts, err
		}
	}
}

func (l *Load) line(ctx context.Context, in *Lines, line Line) error {
	it, err := item(line)
	if err != nil {
		l.counts.Read++
		return l.refuse(Item{line: line.Number, text: line.Text}, err)
	}
	if slices.Contains(ServiceTypes(), it.Key.Type) {
		l.counts.Read++
		l.counts.Skipped++
		return nil
	}
	// A resource changes once a transaction.
	if l.keys[it.Key] {
		if err := l.flush(ctx, nil); err != nil {
			return err
		}
	}
	l.counts.Read++
	l.batch, l.keys[it.Key] = append(l.batch, it), true
	if len(l.batch) >= l.Batch {
		return l.flush(ctx, in)
	}
	return nil
}

// item reads a line.
func item(line Line) (Item, error) {
	if line.Long {
		return Item{}, fault.New(fault.TooLarge, "too-long", "The line is longer than %d bytes.", store.MaxResource)
	}
	n, err := fhirjson.Parse(line.Text)
	if err != nil {
		return Item{}, err
	}
	key := store.Key{Type: n.Str("resourceType"), ID: n.Str("id")}
	switch {
	case n.Kind != fhirjson.Object || !r4.IsType(key.Type):
		return Item{}, fault.New(fault.Invalid, "structure", "The line is not a FHIR R4 resource: it needs a resourceType.")
	case !logicalID(key.ID):
		return Item{}, fault.New(fault.Invalid, "required", "The resource has no id; an id has 1 to 64 characters from A-Z, a-z, 0-9, - and '.'.")
	}
	return Item{Key: key, Tree: n, line: line.Number, text: slices.Clone(line.Text)}, nil
}

func logicalID(s string) bool {
	return s != "" && len(s) <= 64 && strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-.") == ""
}

// flush writes the batch. in is nil where the reader stands behind a line that
// is not in the batch.
func (l *Load) flush(ctx context.Context, in *Lines) error {
	if len(l.batch) > 0 {
		if err := l.write(ctx); err != nil {
			return err
		}
		l.batch = l.batch[:0]
		clear(l.keys)
	}
	if in == nil || l.Settled == nil {
		return nil
	}
	return l.Settled(in.offset, in.number, l.counts)
}

func (l *Load) write(ctx context.Context) error {
	keys := make([]store.Key, len(l.batch))
	for i, it := range l.batch {
		keys[i] = it.Key
	}
	have, err := l.Target.Current(ctx, keys)
	if err != nil {
		return err
	}
	var news []Item
	for i, it := range l.batch {
		if have[i] != nil && same(have[i], it.Tree) {
			l.counts.Skipped++
			continue
		}
		news = append(news, it)
	}
	return l.put(ctx, news)
}

// put writes items; where all of them are refused together, each half alone,
// down to the ones that are at fault.
func (l *Load) put(ctx context.Context, items []Item) error {
	if len(items) == 0 {
		return nil
	}
	err := l.Target.Write(ctx, items)
	switch {
	case err == nil:
		l.counts.Written += len(items)
		return nil
	case !Refusal(err):
		return err
	case len(items) == 1:
		return l.refuse(items[0], err)
	}
	half := len(items) / 2
	if err := l.put(ctx, items[:half]); err != nil {
		return err
	}
	return l.put(ctx, items[half:])
}

func (l *Load) refuse(it Item, why error) error {
	l.counts.Refused++
	if l.Refused == nil {
		return nil
	}
	return l.Refused(it.text, it.line, why)
}

// same compares two resources but for what a store assigns.
func same(a, b *fhirjson.Node) bool { return bare(a).Equal(bare(b)) }

// bare is a resource as it is stored, without version and time.
func bare(n *fhirjson.Node) *fhirjson.Node {
	out, err := fhirjson.Parse(fhirmap.Body(n).JSON)
	if err != nil {
		return n // it came out of Parse, so its text goes into it again
	}
	return out
}
