// Package budget owns what one request may cost. The context carries the budget.
// Code that reads rows, parses JSON or keeps an answer charges it, so that each
// request has one account whatever path it takes. Work without a budget, such as
// an export or the sweep, is not limited.
package budget

import (
	"context"
	"runtime"
	"sync/atomic"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

// Cost is an amount spent, or the limit on it.
type Cost struct {
	Rows   int64 // rows of the store read into memory
	Values int64 // JSON values parsed, and search values compared
	Bytes  int64 // bytes of resources kept for the answer
}

// Request is the limit for one request. OURS: on one core of 2.3 GHz no request
// takes much more than a second, or more than about 64 MB, since memory holds up
// to four copies of an answer.
var Request = Cost{Rows: 100_000, Values: 600_000, Bytes: 16 << 20}

// Times multiplies the cost.
func (c Cost) Times(n int) Cost {
	return Cost{c.Rows * int64(n), c.Values * int64(n), c.Bytes * int64(n)}
}

// Budget is the account of one request.
type Budget struct {
	most                Cost
	rows, values, bytes atomic.Int64
	beside              atomic.Bool
}

type key struct{}

// With returns a context with its own account.
func With(ctx context.Context, most Cost) (context.Context, *Budget) {
	b := &Budget{most: most}
	return context.WithValue(ctx, key{}, b), b
}

func of(ctx context.Context) *Budget {
	b, _ := ctx.Value(key{}).(*Budget)
	return b
}

// Spent returns what has been charged so far.
func (b *Budget) Spent() Cost { return Cost{b.rows.Load(), b.values.Load(), b.bytes.Load()} }

// Beside marks the work of a context as background work that must not delay
// charting; the store runs it on separate connections. A context without a budget
// gets an unlimited one.
func Beside(ctx context.Context) context.Context {
	b := of(ctx)
	if b == nil {
		ctx, b = With(ctx, Cost{1 << 62, 1 << 62, 1 << 62})
	}
	b.beside.Store(true)
	return ctx
}

// IsBeside reports whether the work was marked.
func IsBeside(ctx context.Context) bool {
	b := of(ctx)
	return b != nil && b.beside.Load()
}

// spend adds to an account unless it is already over its limit, so an account
// exceeds its limit by one step at most.
func spend(account *atomic.Int64, n int, most int64) bool {
	return account.Load() <= most && account.Add(int64(n)) <= most
}

// Rows charges rows of the store that were read into memory.
func Rows(ctx context.Context, n int) error {
	b := of(ctx)
	if b != nil && b.beside.Load() {
		runtime.Gosched() // let charting that waits for a processor go first
	}
	if b == nil || spend(&b.rows, n, b.most.Rows) {
		return nil
	}
	return fault.New(fault.Rule, "too-costly", "The request would look at more than %d rows; narrow it, for instance by patient, device, code or date, or ask for one ward at a time.", b.most.Rows)
}

// Values charges JSON values that were parsed, or values that were compared.
func Values(ctx context.Context, n int) error {
	b := of(ctx)
	if b == nil || spend(&b.values, n, b.most.Values) {
		return nil
	}
	return b.many()
}

func (b *Budget) many() error {
	return fault.New(fault.Rule, "too-costly", "The request would read more than %d JSON values of resources; narrow it, for instance by patient, device, code or date, or leave out :contains, :text, :not, chains, _include and _sort.", b.most.Values)
}

// Bytes charges bytes of resources that are held for the answer.
func Bytes(ctx context.Context, n int) error {
	b := of(ctx)
	if b == nil || spend(&b.bytes, n, b.most.Bytes) {
		return nil
	}
	return fault.New(fault.TooLarge, "too-costly", "The answer would hold more than %d MiB of resources; ask for smaller pages, fewer _include, or in several requests.", b.most.Bytes>>20)
}

// Parse parses a stored resource and charges the request for it.
func Parse(ctx context.Context, data []byte) (*fhirjson.Node, error) {
	b := of(ctx)
	if b == nil {
		return fhirjson.Parse(data)
	}
	left := b.most.Values - b.values.Load()
	if left <= 0 {
		return nil, b.many()
	}
	n, values, err := fhirjson.ParseCounted(data, int(left))
	b.values.Add(int64(values))
	if fault.Is(err, fault.TooLarge) {
		return nil, b.many()
	}
	return n, err
}
