package budget

import (
	"context"
	"strings"
	"testing"

	"tidemark/internal/fault"
)

func TestBudget(t *testing.T) {
	ctx, b := With(context.Background(), Cost{Rows: 10, Values: 20, Bytes: 30})
	for _, c := range []struct {
		name  string
		spend func(context.Context, int) error
		most  int
		kind  fault.Kind
	}{{"rows", Rows, 10, fault.Rule}, {"values", Values, 20, fault.Rule}, {"bytes", Bytes, 30, fault.TooLarge}} {
		if err := c.spend(ctx, c.most); err != nil {
			t.Errorf("%s: all of it: %v", c.name, err)
		}
		for range 3 {
			if err := c.spend(ctx, 5); !fault.Is(err, c.kind) || fault.Of(err).Issues[0].Code != "too-costly" {
				t.Errorf("%s: beyond: %v", c.name, err)
			}
		}
		if err := c.spend(context.Background(), 1<<40); err != nil {
			t.Errorf("%s: without a budget: %v", c.name, err)
		}
	}
	if got := b.Spent(); got != (Cost{15, 25, 35}) {
		t.Errorf("spent %+v: what is over by one step stays so", got)
	}
}

func TestParse(t *testing.T) {
	ctx, b := With(context.Background(), Cost{Values: 5})
	if _, err := Parse(ctx, []byte(`{"a":[1,2]}`)); err != nil || b.Spent().Values != 4 {
		t.Errorf("%v, %+v", err, b.Spent())
	}
	if _, err := Parse(ctx, []byte(`{"a":[1,2]}`)); !fault.Is(err, fault.Rule) {
		t.Errorf("beyond: %v", err)
	}
	before := b.Spent().Values
	if _, err := Parse(ctx, []byte(`[`+strings.Repeat("0,", 1000)+`0]`)); !fault.Is(err, fault.Rule) || b.Spent().Values != before {
		t.Errorf("where nothing is left, nothing is read: %v", err)
	}
	if _, err := Parse(context.Background(), []byte(`{`)); !fault.Is(err, fault.Invalid) {
		t.Errorf("%v", err)
	}
}

func TestBeside(t *testing.T) {
	ctx, _ := With(context.Background(), Cost{Rows: 1})
	if IsBeside(ctx) || IsBeside(context.Background()) {
		t.Error("marked by nobody")
	}
	if Beside(ctx); !IsBeside(ctx) {
		t.Error("not marked")
	}
	free := Beside(context.Background())
	if err := Rows(free, 1<<40); !IsBeside(free) || err != nil {
		t.Error(err)
	}
}
