// Package bench owns the measuring of the whole service against what its
// parts could do at best: each speed that is promised, beside a baseline in
// the same run on the same file system. It has tests and benchmarks only, and
// no figure of it decides whether a test passes.
//
//	go test -run '^$' -bench . -benchtime 1x ./internal/bench
//
// prints one line a figure. TIDEMARK_BENCH_SIZE=1000000 adds a store of so
// many Observations to the small one, and TIDEMARK_BENCH_DIR names a folder in
// which filled stores are kept for the next run. TestHarness, which every test
// run includes, proves with a small hospital that all of it still works.
package bench
