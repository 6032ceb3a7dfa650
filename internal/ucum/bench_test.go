package ucum

import (
	"math/big"
	"testing"
)

func BenchmarkParseHit(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Parse("mL"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkParseHitParallel(b *testing.B) {
	b.RunParallel(func(pb *testing.PB) {
		for pb.Next() {
			if _, err := Parse("mL"); err != nil {
				b.Error(err)
			}
		}
	})
}

func BenchmarkParseMiss(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := define("mL/(24.h.kg)"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkParseError(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Parse("mL/24hr"); err == nil {
			b.Fatal("no error")
		}
	}
}

func BenchmarkConvert(b *testing.B) {
	from, _ := Parse("[foz_us]")
	to, _ := Parse("mL")
	v := big.NewRat(1, 2)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Convert(v, from, to); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkHostile(b *testing.B) {
	code := "[G]40.[G]40.[G]40.[G]40.[G]-40.[G]-40.[G]-40.[mu_0]40.[mu_0]-40.[bu_us]100.[bu_us]-100.[m_p]80"
	for b.Loop() {
		_, _ = define(code)
	}
}
