package storetest

import (
	"context"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"

	"tidemark/internal/store"
)

var scanTests = []test{
	{name: "scan of a type at a place in the feed", run: scanPlaces},
	{name: "scan while writing", run: scanWhileWriting},
	{name: "scan of large resources", run: scanLarge},
	{name: "scan that is cancelled goes on from its place", run: scanCancelled},
}

// scanned walks all pages of a scan, of so many versions each.
func scanned(tb testing.TB, s store.Store, typ string, after, upTo int64, size int) []store.Version {
	tb.Helper()
	var out []store.Version
	for {
		vs, err := s.Scan(context.Background(), typ, after, upTo, size)
		if err != nil {
			tb.Fatal(err)
		}
		if len(vs) > size {
			tb.Fatalf("%d versions with limit %d", len(vs), size)
		}
		if len(vs) == 0 {
			return out
		}
		for _, v := range vs {
			if v.Type != typ || v.Seq <= after || v.Seq > upTo {
				tb.Fatalf("%s at %d in a scan of %s behind %d up to %d", v.Key, v.Seq, typ, after, upTo)
			}
			after = v.Seq
		}
		out = append(out, vs...)
	}
}

// last works out of the whole feed what a scan must give.
func last(feed []store.Version, typ string, after, upTo int64) []store.Version {
	newest := map[store.Key]int64{}
	for _, v := range feed {
		if v.Seq <= upTo {
			newest[v.Key] = v.Number
		}
	}
	var out []store.Version
	for _, v := range feed {
		if v.Type == typ && v.Seq > after && v.Seq <= upTo && newest[v.Key] == v.Number {
			out = append(out, v)
		}
	}
	return out
}

func sameVersions(tb testing.TB, what string, got, want []store.Version) {
	tb.Helper()
	if len(got) != len(want) {
		tb.Fatalf("%s: %d versions, want %d:\n%v\n%v", what, len(got), len(want), names(got), names(want))
	}
	for i := range got {
		sameVersion(tb, got[i], want[i])
	}
}

func names(vs []store.Version) (out []string) {
	for _, v := range vs {
		out = append(out, fmt.Sprintf("%s/%d", v.Key, v.Number))
	}
	return out
}

// feedUpTo is all that was written up to a place.
func feedUpTo(tb testing.TB, s store.Store, upTo int64) []store.Version {
	tb.Helper()
	var out []store.Version
	for after := int64(0); ; {
		vs, err := s.Changes(context.Background(), after, 100)
		if err != nil {
			tb.Fatal(err)
		}
		for _, v := range vs {
			if v.Seq <= upTo {
				out = append(out, v)
			}
		}
		if len(vs) == 0 || vs[len(vs)-1].Seq >= upTo {
			return out
		}
		after = vs[len(vs)-1].Seq
	}
}

func wholeFeed(tb testing.TB, s store.Store) []store.Version {
	tb.Helper()
	return feedUpTo(tb, s, math.MaxInt64)
}

func scanPlaces(t *testing.T, s store.Store) {
	if vs := scanned(t, s, "Patient", 0, 0, 5); len(vs) > 0 {
		t.Errorf("an empty store gives %v", names(vs))
	}
	commitEach(t, s,
		patient(t, "a", "1"), Put(t, `{"resourceType":"Device","id":"a","meta":{}}`), patient(t, "b", "1"), patient(t, "a", "2"),
		remove("Patient", "b"), patient(t, "c", "1"), patient(t, "a", "3"), patient(t, "b", "2"), remove("Patient", "c"), patient(t, "d", "1"))
	feed := wholeFeed(t, s)
	if len(feed) != 10 {
		t.Fatalf("the feed has %v", names(feed))
	}
	// The oracle itself, once by hand.
	if got := strings.Join(names(scanned(t, s, "Patient", 0, feed[9].Seq, 3)), " "); got != "Patient/a/3 Patient/b/3 Patient/c/2 Patient/d/1" {
		t.Errorf("all at the end: %s", got)
	}
	if got := strings.Join(names(scanned(t, s, "Patient", feed[0].Seq, feed[5].Seq, 3)), " "); got != "Patient/a/2 Patient/b/2 Patient/c/1" {
		t.Errorf("behind the first, up to the sixth: %s", got)
	}
	for _, typ := range []string{"Patient", "Device", "Group"} {
		for i := 0; i < len(feed); i += 3 {
			for j := i; j < len(feed); j += 2 {
				after := feed[i].Seq - 1
				for _, size := range []int{1, 2, 50} {
					what := fmt.Sprintf("%s behind %d up to %d by %d", typ, after, feed[j].Seq, size)
					sameVersions(t, what, scanned(t, s, typ, after, feed[j].Seq, size), last(feed, typ, after, feed[j].Seq))
				}
			}
		}
	}
}

// scanWhileWriting scans up to a place that was settled when it began, twice,
// while others replace and delete what it walks.
func scanWhileWriting(t *testing.T, s store.Store) {
	ctx := context.Background()
	const ids = 12
	for i := range 2 * ids {
		commit(t, s, patient(t, fmt.Sprint("p", i%ids), fmt.Sprint(i)))
	}
	stop := make(chan struct{})
	var wg sync.WaitGroup
	for n := range 2 {
		wg.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-stop:
					return
				default:
				}
				w := patient(t, fmt.Sprint("p", (i*5+n)%(2*ids)), fmt.Sprint(n, "-", i))
				if i%7 == 6 {
					w = remove("Patient", "p0")
				}
				if _, err := s.Commit(ctx, []store.Write{w}, nil); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	defer func() { close(stop); wg.Wait() }()
	for range 3 {
		upTo, err := s.LastSeq(ctx)
		if err != nil {
			t.Fatal(err)
		}
		first := scanned(t, s, "Patient", 0, upTo, 5)
		again := scanned(t, s, "Patient", 0, upTo, 1000)
		sameVersions(t, "the same scan again", again, first)
		sameVersions(t, "against the feed", first, last(feedUpTo(t, s, upTo), "Patient", 0, upTo))
	}
}

// scanLarge: pages may be cut shorter, and nothing is left out.
func scanLarge(t *testing.T, s store.Store) {
	var want []store.Version
	text := strings.Repeat("x", 5<<19)
	for i := range 3 {
		want = append(want, commit(t, s, patient(t, fmt.Sprint("p", i), text))[0].Version)
	}
	sameVersions(t, "large ones", scanned(t, s, "Patient", 0, want[2].Seq, 1000), want)
}

func scanCancelled(t *testing.T, s store.Store) {
	for i := range 6 {
		commit(t, s, patient(t, fmt.Sprint("p", i), "x"))
	}
	feed := wholeFeed(t, s)
	upTo := feed[5].Seq
	ctx, cancel := context.WithCancel(context.Background())
	head, err := s.Scan(ctx, "Patient", 0, upTo, 2)
	if err != nil || len(head) != 2 {
		t.Fatal(names(head), err)
	}
	cancel()
	if vs, err := s.Scan(ctx, "Patient", head[1].Seq, upTo, 2); err == nil {
		t.Errorf("a cancelled scan gives %v", names(vs))
	}
	sameVersions(t, "gone on", append(head, scanned(t, s, "Patient", head[1].Seq, upTo, 2)...), feed)
}
