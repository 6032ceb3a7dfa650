package sqlite

import (
	"bytes"
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tidemark/internal/drain"
	"tidemark/internal/store"
)

func someEntry(t *rapid.T) drain.Entry {
	text := rapid.String()
	number := rapid.Custom(func(t *rapid.T) drain.Volume {
		v, ok := drain.ParseML(rapid.SampledFrom([]string{"0", "35", "-4", "12.5", "1/3", "12345678901234567890.123456"}).Draw(t, "number"))
		if !ok {
			t.Fatal("not a number")
		}
		return v
	})
	signs := rapid.SliceOfN(rapid.SampledFrom([]drain.Sign{drain.Leakage, drain.Redness, drain.Swelling}), 0, 3)
	e := drain.Entry{
		Kind: drain.Kind(text.Draw(t, "kind")), Status: text.Draw(t, "status"),
		Measured:  drain.Measure{Known: rapid.Bool().Draw(t, "measured"), Absent: text.Draw(t, "absent")},
		Instilled: number.Draw(t, "instilled"), Estimated: rapid.Bool().Draw(t, "estimated"), Vessel: drain.Vessel(text.Draw(t, "vessel")),
		Appearance: drain.Appearance(text.Draw(t, "appearance")), Colour: text.Draw(t, "colour"), Suction: drain.Suction(text.Draw(t, "suction")),
		Patency: drain.Patency(text.Draw(t, "patency")), Fill: drain.Percent{Known: rapid.Bool().Draw(t, "filled")}, Assessed: rapid.Bool().Draw(t, "assessed"),
		Dislodged: rapid.Bool().Draw(t, "dislodged"), Route: text.Draw(t, "route"), RouteText: text.Draw(t, "words"), Kilograms: number.Draw(t, "weight"), DoneBy: text.Draw(t, "by"),
	}
	e.Odour = rapid.SampledFrom([]string{"", "foul", "none"}).Draw(t, "odour")
	if rapid.Bool().Draw(t, "cared for") {
		e.Care = []drain.Care{drain.Recompressed, drain.TubingMilked}
	}
	if list := signs.Draw(t, "signs"); len(list) > 0 {
		e.Signs = list
	}
	if e.Measured.Known {
		e.Measured.Volume = number.Draw(t, "volume")
	}
	if e.Fill.Known {
		e.Fill.Value = number.Draw(t, "fill")
	}
	return e
}

func TestChart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := someEntry(t)
		chart := chartOf(&want)
		var got drain.Entry
		if err := readChart(&got, chart); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("-want +got:\n%s", d)
		}
		for i := range chart {
			if err := readChart(&got, chart[:i]); err == nil {
				t.Fatalf("cut at %d of %d it is read all the same", i, len(chart))
			}
		}
		if err := readChart(&got, append(chart, 0)); err == nil {
			t.Fatal("with a byte too much it is read all the same")
		}
	})
}

func FuzzReadChart(f *testing.F) {
	f.Add(chartOf(&drain.Entry{Kind: drain.Emptying, Status: "final", Measured: drain.Measure{Known: true, Volume: drain.MLInt(35)}}))
	f.Add([]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff})
	f.Fuzz(func(t *testing.T, chart []byte) {
		var e, again drain.Entry
		if readChart(&e, chart) != nil {
			return
		}
		written := chartOf(&e)
		if err := readChart(&again, written); err != nil {
			t.Fatalf("%q was read, and %q is not: %v", chart, written, err)
		}
		if !bytes.Equal(written, chartOf(&again)) {
			t.Errorf("%q is read and written as %q", written, chartOf(&again))
		}
	})
}

// TestSchema1 opens a file with the entries of schema 1, more than one page of
// the conversion.
func TestSchema1(t *testing.T) {
	dir := t.TempDir()
	ctx := context.Background()
	c, err := connect(ctx, filepath.Join(dir, fileName), readWrite)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.script(schema1 + "; PRAGMA application_id = 1416193125; PRAGMA user_version = 1"); err != nil {
		t.Fatal(err)
	}
	third, _ := drain.ParseML("1/3")
	const rows = 2500
	full := drain.Entry{
		Drain: "d1", Patient: "p1", At: time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC), Kind: drain.Emptying, Status: "final",
		Measured: drain.Measure{Known: true, Volume: drain.MLInt(35)}, Instilled: third, Estimated: true, Vessel: drain.Syringe,
		Appearance: drain.Serous, Colour: "straw", Suction: drain.Charged, Patency: drain.Patent, Fill: drain.Percent{Known: true, Value: drain.MLInt(50)},
		Signs: []drain.Sign{drain.Leakage, drain.Redness}, Assessed: true, Dislodged: true, Route: "r", RouteText: "words", Kilograms: drain.MLInt(70), DoneBy: "Practitioner/n1",
	}
	var want []drain.Entry
	if err := c.exec("BEGIN"); err != nil {
		t.Fatal(err)
	}
	for i := range rows {
		e := full
		e.ID, e.Version, e.At = string(rune('a'+i%26))+time.Duration(i).String(), int64(1+i%3), e.At.Add(time.Duration(i)*time.Minute)
		if i%5 == 0 {
			e = drain.Entry{ID: e.ID, Version: e.Version, Drain: e.Drain, Patient: e.Patient, At: e.At, Kind: drain.Site, Status: "amended", Measured: drain.Measure{Absent: "not-performed"}}
		}
		want = append(want, e)
		var measured, fill any
		if e.Measured.Known {
			measured, fill = e.Measured.Volume.Key(), e.Fill.Value.Key()
		}
		err := c.exec("INSERT INTO entry (id, drain, at, patient, kind, status, measured, absent, instilled, estimated, vessel, appearance, colour, suction, patency, fill, signs, assessed, dislodged, route, route_text, kilograms, done_by, version) VALUES "+values(1, 24),
			e.ID, e.Drain, e.At.UnixMicro(), e.Patient, string(e.Kind), e.Status, measured, e.Measured.Absent, e.Instilled.Key(), e.Estimated, string(e.Vessel), string(e.Appearance), e.Colour,
			string(e.Suction), string(e.Patency), fill, join(e.Signs), e.Assessed, e.Dislodged, e.Route, e.RouteText, e.Kilograms.Key(), e.DoneBy, e.Version)
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := c.exec("COMMIT"); err != nil {
		t.Fatal(err)
	}
	if err := c.close(); err != nil {
		t.Fatal(err)
	}
	o := options(t)
	o.Dir = dir
	s := openIn(t, o, nil)
	for _, q := range []store.EntryQuery{{Drain: "d1"}, {Patient: "p1"}} {
		got, err := s.Entries(ctx, q)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%+v: -want +got:\n%s", q, d)
		}
	}
}
