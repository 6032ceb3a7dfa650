package ward

import (
	"context"
	"fmt"
	"slices"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"tidemark/internal/answer"
	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

func bed(id, name, ward string) obj {
	return fhirjson.Obj("resourceType", "Location", "id", id, "name", name, "physicalType", code("http://terminology.hl7.org/CodeSystem/location-physical-type", "bd"), "partOf", reference("Location", ward))
}

func stayIn(patient, bed string) obj {
	return fhirjson.Obj("resourceType", "Encounter", "id", "enc-"+patient, "status", "in-progress", "class", fhirjson.Obj("system", "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code", "IMP"),
		"subject", reference("Patient", patient), "period", fhirjson.Obj("start", t0.Add(-time.Hour).Format(time.RFC3339)), "location", fhirjson.Arr(fhirjson.Obj("location", reference("Location", bed))))
}

func (h *hospital) handover(of store.Key, asked Shift) answer.Handover {
	h.Helper()
	out, err := h.Handover(context.Background(), of, asked, balance.Charted)
	if err != nil {
		h.Fatal(err)
	}
	return out
}

var w1 = store.Key{Type: "Location", ID: "w1"}

// The shift that ends now or ended last, by a calendar of 07:00 and 19:00: t0 is
// 08:00, so that the day shift ends 11 h and the night shift 23 h after it.
func TestHandoverShift(t *testing.T) {
	h := newHospital(t)
	for _, c := range []struct {
		hours float64
		asked Shift
		want  string
	}{
		{4, Shift{}, "2026-11-22 night shift"}, {9.9, Shift{}, "2026-11-22 night shift"}, {10.1, Shift{}, "2026-11-23 day shift"}, {11.5, Shift{}, "2026-11-23 day shift"},
		{4, Shift{Name: Current}, "2026-11-23 day shift"}, {4, Shift{Name: Previous}, "2026-11-22 night shift"}, {30, Shift{At: t0.Add(span(12))}, "2026-11-23 night shift"},
	} {
		h.at(c.hours)
		if got := h.handover(store.Key{Type: "Patient", ID: "p1"}, c.asked).Shift.Label; got != c.want {
			t.Errorf("%v h, %+v: %s, want %s", c.hours, c.asked, got, c.want)
		}
	}
	if _, err := h.Handover(context.Background(), w1, Shift{At: t0.Add(span(60))}, balance.Charted); err == nil {
		t.Error("a shift to come is reviewed")
	}
}

func TestHandover(t *testing.T) {
	h := newHospital(t)
	ward := fhirjson.Obj("resourceType", "Location", "id", "w1", "name", "Ward 1")
	h.put(ward, bed("b10", "Bed 10", "w1"), bed("b2", "Bed 2", "w1"), stayIn("p1", "b10"), stayIn("p2", "b2"), device("d2"), placement("d2", "p2", t0))
	h.at(2)
	h.put(emptying("e1", 2, "40", looks("serosanguineous")))
	h.at(6)
	h.put(emptying("e2", 6, "20", looks("serous"), part("suction-state", "charged")), site("s1", 6, part("redness", true)))
	h.at(20) // the night shift, 04:00 of the 24th
	h.put(emptying("e3", 20, "7.5", looks("serous"), part("suction-state", "lost")), emptying("late", 13, "5"))
	h.at(21)
	wrong := puts(status(emptying("e2", 6, "25", looks("serous"), part("suction-state", "charged")), "corrected"))
	wrong[0].By = "Practitioner/n2"
	h.commit(wrong...)
	h.at(23.5) // 07:30: the night shift is over
	h.put(emptying("e4", 23.25, "3", looks("sanguineous")))
	out := h.handover(w1, Shift{})
	if len(out.Rows) != 2 || out.Rows[0].Bed.Name != "Bed 2" || out.Rows[1].Bed.Name != "Bed 10" || out.Rows[0].Ward.Name != "Ward 1" || out.Name != "Ward 1" {
		t.Fatalf("%+v", out)
	}
	if out.Shift.Label != "2026-11-23 night shift" || !out.AsOf.Equal(t0.Add(span(23))) {
		t.Error(out.Shift, out.AsOf)
	}
	r := out.Rows[1]
	// The night: 7.5 and 5. The 24 h to 07:00: those and 40 and 25. Before those the drain was not in place.
	if got := []string{r.Shift.Net.String(), r.Last.Net.String(), string(r.Before.Absent)}; !slices.Equal(got, []string{"12.5 mL", "77.5 mL", string(balance.NotInPlace)}) {
		t.Error(got)
	}
	if r.Look.ID != "e3" || r.Course != "lightening" || r.Suction.Suction != drain.Lost || r.Seen.ID != "s1" {
		t.Errorf("look %s %s, suction %s, site %s", r.Look.ID, r.Course, r.Suction.Suction, r.Seen.ID)
	}
	if len(r.Corrections) != 1 || r.Corrections[0].Before.Measured.Volume.String() != "20 mL" || r.Corrections[0].By != "Practitioner/n2" || r.Corrections[0].Before.Version != 1 {
		t.Errorf("%+v", r.Corrections)
	}
	if len(r.Late) != 1 || r.Late[0].Entry.ID != "late" || !r.Late[0].Charted.Equal(t0.Add(span(20))) {
		t.Errorf("%+v", r.Late)
	}
	if !slices.ContainsFunc(r.Concerns, func(c drain.Concern) bool { return c.Holds("suction-lost") }) {
		t.Errorf("%+v", r.Concerns)
	}
	if slices.ContainsFunc(r.Concerns, func(c drain.Concern) bool { return !c.Since.Before(out.AsOf) }) {
		t.Error("a concern of the next shift")
	}
	// What others answer of the same drain, it answers too.
	review, err := h.RemovalReview(t.Context(), "d1")
	if err != nil || fmt.Sprint(review.Review) != fmt.Sprint(r.Removal) {
		t.Errorf("%v\n%v\n%v", err, review.Review, r.Removal)
	}
	st, err := h.DrainStatus(t.Context(), "d1")
	if err != nil || st.Level != r.Level || !st.Due.At.Equal(r.Due.At) {
		t.Error(st.Level, r.Level, st.Due.At, r.Due.At, err)
	}
	if one := h.handover(store.Key{Type: "Patient", ID: "p1"}, Shift{}); len(one.Rows) != 1 || one.Rows[0].Bed.Name != "Bed 10" || one.Rows[0].Shift.Net.String() != "12.5 mL" {
		t.Errorf("%+v", one.Rows)
	}
}

// A drain removed since the shift began is still in its handover, with its output
// and where it was; nothing of it is due. One removed before is not.
func TestHandoverRemoved(t *testing.T) {
	h := newHospital(t)
	h.put(fhirjson.Obj("resourceType", "Location", "id", "w1", "name", "Ward 1"), bed("b1", "Bed 1", "w1"), stayIn("p1", "b1"))
	h.put(device("d2"), placement("d2", "p1", t0), device("d3"), placement("d3", "p1", t0))
	h.at(6)
	h.put(emptying("e1", 6, "40"), with(emptying("e2", 6, "30"), "device", reference("Device", "d2")), with(emptying("e3", 6, "20"), "device", reference("Device", "d3")))
	h.at(10) // still the day shift, which ends 11 h after t0
	h.put(removed(placement("d3", "p1", t0), "completed", t0.Add(span(9.5))), with(device("d3"), "status", fhirjson.Str("inactive")))
	h.at(20) // the night shift
	h.put(with(emptying("e4", 20, "7", looks("serous")), "device", reference("Device", "d2")))
	h.put(removed(placement("d2", "p1", t0), "completed", t0.Add(span(20.5))), with(device("d2"), "status", fhirjson.Str("inactive")))
	h.at(22)
	for _, of := range []store.Key{w1, {Type: "Patient", ID: "p1"}} {
		out := h.handover(of, Shift{Name: Current})
		if len(out.Rows) != 2 || out.Rows[0].Drain.ID != "d1" || out.Rows[1].Drain.ID != "d2" {
			t.Fatalf("%v: %+v", of, out.Rows)
		}
		r := out.Rows[1]
		if !r.Removed.Equal(t0.Add(span(20.5))) || r.Shift.Net.String() != "7 mL" || r.Last.Net.String() != "37 mL" || r.Bed.Name != "Bed 1" || r.Patient != "p1" || !r.Due.At.IsZero() || r.Removal.Items != nil {
			t.Errorf("%v: %+v", of, r)
		}
		if !out.Rows[0].Removed.IsZero() || out.Rows[0].Due.At.IsZero() {
			t.Errorf("%v: %+v", of, out.Rows[0])
		}
		h.at(21)
		h.at(60) // two days on it is in no handover of then any more that it was not in
		if late := h.handover(of, Shift{Name: Previous}); len(late.Rows) != 1 {
			t.Errorf("%v: %+v", of, late.Rows)
		}
		h.at(22)
		// In review of the day both others had their output.
		if day := h.handover(of, Shift{Name: Previous}); len(day.Rows) != 3 || day.Rows[2].Shift.Net.String() != "20 mL" || day.Rows[1].Shift.Net.String() != "30 mL" {
			t.Errorf("%v: %+v", of, day.Rows)
		}
	}
}

// counting is a store that counts what is read of it.
type counting struct {
	Store
	reads atomic.Int64
}

func (c *counting) Read(ctx context.Context, k store.Key) (store.Version, error) {
	c.reads.Add(1)
	return c.Store.Read(ctx, k)
}
func (c *counting) ReadVersion(ctx context.Context, k store.Key, n int64) (store.Version, error) {
	c.reads.Add(1)
	return c.Store.ReadVersion(ctx, k, n)
}
func (c *counting) Search(ctx context.Context, q search.Query) (store.Page, error) {
	c.reads.Add(1)
	return c.Store.Search(ctx, q)
}
func (c *counting) Drain(ctx context.Context, id string) (drain.Drain, bool, error) {
	c.reads.Add(1)
	return c.Store.Drain(ctx, id)
}
func (c *counting) Drains(ctx context.Context, q store.DrainQuery) ([]drain.Drain, error) {
	c.reads.Add(1)
	return c.Store.Drains(ctx, q)
}
func (c *counting) Placements(ctx context.Context, id string) ([]drain.Placement, error) {
	c.reads.Add(1)
	return c.Store.Placements(ctx, id)
}
func (c *counting) Entries(ctx context.Context, q store.EntryQuery) ([]drain.Entry, error) {
	c.reads.Add(1)
	return c.Store.Entries(ctx, q)
}
func (c *counting) Latest(ctx context.Context, d []string, to time.Time, most int) (map[string]store.Latest, error) {
	c.reads.Add(1)
	return c.Store.Latest(ctx, d, to, most)
}
func (c *counting) Concerns(ctx context.Context, id string, ended time.Time) ([]drain.Concern, error) {
	c.reads.Add(1)
	return c.Store.Concerns(ctx, id, ended)
}
func (c *counting) Stays(ctx context.Context, p ...string) ([]drain.Stay, error) {
	c.reads.Add(1)
	return c.Store.Stays(ctx, p...)
}
func (c *counting) Walks(ctx context.Context, p ...string) ([]drain.Walk, error) {
	c.reads.Add(1)
	return c.Store.Walks(ctx, p...)
}
func (c *counting) Place(ctx context.Context, id string) (drain.Place, bool, error) {
	c.reads.Add(1)
	return c.Store.Place(ctx, id)
}

// busyWard is a ward of so many drains, each in a bed and a patient of its own.
func busyWard(tb testing.TB, drains int) *hospital {
	h := open(tb, tb.TempDir())
	ns := []obj{fhirjson.Obj("resourceType", "Location", "id", "w1", "name", "Ward 1")}
	for i := range drains {
		d, p := fmt.Sprintf("d%d", i), fmt.Sprintf("p%d", i)
		ns = append(ns, patient(p), device(d), placement(d, p, t0), bed("b"+d, "Bed "+d, "w1"), stayIn(p, "b"+d))
	}
	h.put(ns...)
	return h
}

// chart empties each of its drains every so many hours.
func (h *hospital) chart(drains, from, to, every int) {
	h.Helper()
	for hour := from; hour < to; hour += every {
		h.at(float64(hour))
		var ns []obj
		for i := range drains {
			ns = append(ns, onDrain(emptying(fmt.Sprintf("e%d-%d", i, hour), float64(hour), "5", looks("serous")), fmt.Sprintf("d%d", i), fmt.Sprintf("p%d", i)))
		}
		h.put(ns...)
	}
}

// BenchmarkHandover: a ward of 60 drains, emptied every 4 h for a week.
func BenchmarkHandover(b *testing.B) {
	h := busyWard(b, 60)
	h.chart(60, 1, 168, 4)
	h.at(167.5)
	var before, after syscall.Rusage
	b.ResetTimer()
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &before)
	for b.Loop() {
		if out := h.handover(w1, Shift{Name: Current}); len(out.Rows) != 60 {
			b.Fatal(len(out.Rows))
		}
	}
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &after)
	cpu := func(r syscall.Rusage) int64 { return r.Utime.Nano() + r.Stime.Nano() }
	b.ReportMetric(float64(cpu(after)-cpu(before))/float64(b.N)/1e6, "cpu-ms/op") // on a busy machine the clock says little
}

// A ward costs one read a drain, and a few for all of them, however long the
// stays are.
func TestHandoverReads(t *testing.T) {
	const drains = 20
	h := busyWard(t, drains)
	cost := func(hours float64) int64 {
		t.Helper()
		c := &counting{Store: h.db}
		s := h.another(c)
		if _, err := s.Handover(t.Context(), w1, Shift{Name: Current}, balance.Charted); err != nil { // what time brings about is kept first
			t.Fatal(err)
		}
		c.reads.Store(0)
		out, err := s.Handover(t.Context(), w1, Shift{Name: Current}, balance.Charted)
		if err != nil || len(out.Rows) != drains {
			t.Fatal(len(out.Rows), err)
		}
		return c.reads.Load()
	}
	h.chart(drains, 1, 6, 1)
	short := cost(6)
	h.chart(drains, 6, 200, 1) // emptied each hour for eight days
	if long := cost(200); long != short || long > drains+8 {
		t.Errorf("%d reads of %d drains after 5 h, %d after 200 h", short, drains, long)
	}
}

// What is brought in from elsewhere was charted when it was issued there.
func TestHandoverIssued(t *testing.T) {
	h := newHospital(t)
	h.at(9)
	h.put(with(emptying("e1", 2, "40"), "issued", t0.Add(span(2.1)).Format(time.RFC3339)), with(emptying("e2", 3, "40"), "issued", t0.Add(span(6)).Format(time.RFC3339)), emptying("e3", 4, "40"))
	r := h.handover(store.Key{Type: "Patient", ID: "p1"}, Shift{Name: Current}).Rows[0]
	if len(r.Late) != 2 || r.Late[0].Entry.ID != "e2" || !r.Late[0].Charted.Equal(t0.Add(span(6))) || !r.Late[1].Charted.Equal(t0.Add(span(9))) {
		t.Errorf("%+v", r.Late)
	}
}
