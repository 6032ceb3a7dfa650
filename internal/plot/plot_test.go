package plot_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
	_ "time/tzdata" // the courses name zones

	"github.com/google/go-cmp/cmp"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/plot"
	"tidemark/internal/trend"
	"tidemark/internal/window"
)

var update = flag.Bool("update", false, "write the golden files anew")

const caution = "This service informs, it does not diagnose. Thresholds are examples until the hospital approves its own policy; local protocol and the licensed clinician decide; when in doubt go to the bedside."

var berlin = zone("Europe/Berlin")

func zone(name string) *time.Location {
	z, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return z
}

func at(day, hour, minute int) time.Time { return time.Date(2026, 11, day, hour, minute, 0, 0, berlin) }

// emptying is one row of a course in a test.
func emptying(id string, t time.Time, ml string, look drain.Appearance, with ...func(*drain.Entry)) drain.Entry {
	e := drain.Entry{ID: id, Kind: drain.Emptying, Drain: "d1", At: t, Status: "final", Vessel: drain.GraduatedCylinder, Appearance: look, Suction: drain.Charged}
	if v, ok := drain.ParseML(ml); ok {
		e.Measured = drain.Measure{Known: true, Volume: v}
	} else {
		e.Measured.Absent = "not-performed"
	}
	for _, w := range with {
		w(&e)
	}
	return e
}

func suction(s drain.Suction) func(*drain.Entry) { return func(e *drain.Entry) { e.Suction = s } }
func instilled(ml int64) func(*drain.Entry) {
	return func(e *drain.Entry) { e.Instilled = drain.MLInt(ml) }
}
func preliminary(e *drain.Entry)                 { e.Status = "preliminary" }
func vessel(v drain.Vessel) func(e *drain.Entry) { return func(e *drain.Entry) { e.Vessel = v } }

// course works out the rest of a picture as the service does.
func course(entries []drain.Entry, placed, removed, now time.Time, z *time.Location) plot.Course {
	c := plot.Course{
		Title: "Drain 1, left axilla", Subtitle: "Bulb, 100 mL; placed 23 Nov 2026 14:00",
		Zone: z, Placed: placed, Removed: removed, Now: now, Entries: entries, Caution: caution,
		Intervals: balance.Intervals(entries, placed, balance.OneEmptying),
	}
	start := placed
	if start.IsZero() && len(c.Intervals) > 0 {
		start = c.Intervals[0].End
	}
	if ws, err := window.Standard(z).Windows(window.Day, start, now); err == nil {
		c.Days = balance.Totals(entries, placed, removed, ws, balance.Charted, balance.DefaultSettings(), now)
	}
	c.TrendOrigin = start
	var pts []trend.Point
	for _, iv := range c.Intervals {
		if rate, ok := iv.Rate(); ok {
			pts = append(pts, trend.Point{X: iv.Middle().Sub(start).Hours(), Y: rate})
		}
	}
	c.Trend = trend.Analyse(pts, 4, 0.05)
	return c
}

// typical is five days after an operation: falling, with a clot, a wrong vessel,
// a reading left out and a darker reading at the end.
func typical() plot.Course {
	e := []drain.Entry{
		emptying("01", at(23, 18, 0), "62", drain.Sanguineous),
		emptying("02", at(23, 22, 10), "48", drain.Sanguineous),
		emptying("03", at(24, 4, 0), "55", drain.Sanguineous),
		emptying("04", at(24, 10, 0), "40", drain.Serosanguineous),
		emptying("05", at(24, 16, 5), "38", drain.Serosanguineous, suction(drain.Lost)),
		emptying("06", at(24, 22, 0), "30", drain.Serosanguineous),
		emptying("07", at(25, 6, 30), "36", drain.Serosanguineous),
		emptying("08", at(25, 14, 0), "not measured", drain.Serosanguineous),
		emptying("09", at(25, 22, 0), "24", drain.Serous),
		emptying("10", at(26, 6, 0), "22", drain.Serous),
		emptying("11", at(26, 14, 20), "18", drain.Serous, vessel(drain.MedicineCup)),
		emptying("12", at(26, 22, 0), "14", drain.Serous, suction(drain.Lost)),
		emptying("13", at(27, 6, 0), "12", drain.Serous),
		emptying("14", at(27, 14, 0), "30", drain.Serosanguineous, preliminary),
	}
	c := course(e, at(23, 14, 0), time.Time{}, at(27, 16, 0), berlin)
	c.Concerns = []drain.Concern{
		{ID: "f1", Kind: "suction-lost", Severity: drain.Moderate, Since: at(24, 16, 5), Until: at(24, 22, 0), Acknowledged: drain.Acknowledged{At: at(24, 17, 0)}},
		{ID: "f2", Kind: "suction-lost", Severity: drain.Moderate, Since: at(26, 22, 0), Until: at(27, 6, 0)},
		{ID: "f3", Kind: "overdue", Severity: drain.Low, Since: at(25, 18, 15), Until: at(25, 22, 0), Withdrawn: true},
		{ID: "f4", Kind: "output-rise", Severity: drain.High, Since: at(27, 14, 0)},
		{ID: "f5", Kind: "darker", Severity: drain.Moderate, Since: at(27, 14, 0)},
		{ID: "f6", Kind: "reading-doubt", Severity: drain.Low, Since: at(26, 14, 20), Until: at(27, 14, 20)},
	}
	return c
}

func portrait() plot.Course {
	c := typical()
	c.Width, c.Height = plot.A5Height, plot.A5Width
	return c
}

func hourly() plot.Course {
	placed := at(2, 9, 0)
	var e []drain.Entry
	looks := []drain.Appearance{drain.Sanguineous, drain.Serosanguineous, drain.Serous, drain.Clear}
	for h := range 21 * 24 {
		ml := 40 - h/14 + (h*7)%5
		e = append(e, emptying(fmt.Sprintf("%03d", h), placed.Add(time.Duration(h+1)*time.Hour), fmt.Sprint(ml), looks[min(h/130, 3)]))
	}
	c := course(e, placed, time.Time{}, at(23, 10, 0), berlin)
	for d := range 18 {
		c.Concerns = append(c.Concerns, drain.Concern{ID: fmt.Sprint(d), Kind: "reservoir-half", Severity: drain.Low, Since: at(3+d, 4, 0), Until: at(3+d, 9, 0)})
	}
	c.Concerns = append(c.Concerns, drain.Concern{ID: "x", Kind: "long-dwell", Severity: drain.Low, Since: at(16, 9, 0)})
	return c
}

func clockChange() plot.Course {
	day := func(d, h int) time.Time { return time.Date(2026, 10, d, h, 0, 0, 0, berlin) }
	e := []drain.Entry{
		emptying("1", day(24, 8), "20", drain.Serous),
		emptying("2", day(24, 20), "18", drain.Serous),
		emptying("3", day(25, 8), "19", drain.Serous), // 13 h later: the clock went back
		emptying("4", day(25, 20), "15", drain.Serous),
		emptying("5", day(26, 8), "12", drain.Clear),
	}
	return course(e, day(23, 20), time.Time{}, day(26, 9), berlin)
}

func longLabels() plot.Course {
	c := typical()
	c.Title = strings.Repeat("Drain 17 at the lower border of the right latissimus dorsi flap, ", 9)
	c.Subtitle = strings.Repeat("Undsoweiter<&>\"' ", 30)
	c.Caution = strings.Repeat(caution+" ", 6)
	for _, a := range []drain.Appearance{drain.Purulent, drain.Bilious, drain.Chylous, drain.Feculent, drain.UrineLike, drain.OtherLook, "a-look-that-nobody-knows"} {
		n := len(c.Entries) + 1
		c.Entries = append(c.Entries, emptying(fmt.Sprint(n), at(27, n-6, 30), "1", a, suction(drain.Off)))
	}
	for i := range 12 {
		c.Concerns = append(c.Concerns, drain.Concern{ID: fmt.Sprint("l", i), Kind: fmt.Sprintf("rule-with-a-very-long-name-number-%d", i), Severity: drain.Moderate, Since: at(24+i%3, i, 0)})
	}
	return c
}

var courses = []struct {
	name   string
	course func() plot.Course
}{
	{"typical", typical},
	{"portrait", portrait},
	{"hourly", hourly},
	{"smallest", func() plot.Course { c := typical(); c.Width, c.Height = 360, 340; return c }},
	{"clock-change", clockChange},
	{"long-labels", longLabels},
	{"nothing", func() plot.Course { return course(nil, at(23, 14, 0), time.Time{}, at(23, 15, 0), berlin) }},
	{"stale", func() plot.Course {
		c := course(nil, at(23, 14, 0), time.Time{}, at(24, 15, 0), berlin)
		c.Concerns = []drain.Concern{{ID: "f", Kind: "stale", Severity: drain.Moderate, Since: at(24, 2, 0)}}
		return c
	}},
	{"one-reading", func() plot.Course {
		return course([]drain.Entry{emptying("1", at(24, 8, 0), "35", drain.Serous)}, time.Time{}, time.Time{}, at(24, 10, 0), berlin)
	}},
	{"all-zero", func() plot.Course {
		var e []drain.Entry
		for i := range 6 {
			e = append(e, emptying(fmt.Sprint(i), at(24, 4*i, 0), "0", drain.Clear))
		}
		return course(e, at(23, 20, 0), at(24, 21, 0), at(25, 21, 0), berlin)
	}},
	{"negative-net", func() plot.Course {
		return course([]drain.Entry{
			emptying("1", at(24, 8, 0), "35", drain.Serous, instilled(50)),
			emptying("2", at(24, 20, 0), "60", drain.Serous, instilled(50)),
			emptying("3", at(25, 8, 0), "20", drain.Serous, instilled(50)),
			emptying("4", at(25, 20, 0), "80", drain.Purulent, instilled(50)),
		}, at(24, 0, 0), time.Time{}, at(25, 22, 0), berlin)
	}},
	{"outlier", outlier},
}

// outlier is a course with one slip of a nought, on a sheet that says whose it is.
func outlier() plot.Course {
	var e []drain.Entry
	for i := range 36 {
		ml := fmt.Sprint(24 - i/3)
		if i == 14 {
			ml = "1900"
		}
		e = append(e, emptying(fmt.Sprintf("%02d", i), at(20, 10+4*i, 0), ml, drain.Serous))
	}
	c := course(e, at(20, 6, 0), time.Time{}, at(26, 8, 0), berlin)
	c.Bed, c.Patient, c.TrendSpan = "Bed 12", "Alder, Ann", 72*time.Hour
	return c
}

// TestOutlierDoesNotFlatten: the others keep their height, and the figure of the
// one is written.
func TestOutlierDoesNotFlatten(t *testing.T) {
	svg, err := plot.SVG(outlier())
	if err != nil {
		t.Fatal(err)
	}
	for _, words := range []string{">475<", ">higher than drawn, its figure written<", ">Bed 12 · Alder, Ann · Bulb, 100 mL; placed 23 Nov 2026 14:00<", ">Drawn Thu 26 Nov 2026 08:00<", ">Trend of the last 72 h: "} {
		if !strings.Contains(string(svg), words) {
			t.Errorf("nowhere %q", words)
		}
	}
	for _, words := range []string{">400<", ">1500<", ">2000<"} {
		if strings.Contains(string(svg), words) {
			t.Errorf("the axis reaches %q", words)
		}
	}
}

// TestPictures compares with golden files, and says what every SVG must be.
func TestPictures(t *testing.T) {
	for _, tc := range courses {
		t.Run(tc.name, func(t *testing.T) {
			got, err := plot.SVG(tc.course())
			if err != nil {
				t.Fatal(err)
			}
			file := filepath.Join("testdata", tc.name+".svg")
			if *update {
				if err := os.WriteFile(file, got, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, want) {
				t.Errorf("differs from %s (run with -update and look at it):\n%s", file, cmp.Diff(strings.Split(string(want), "\n"), strings.Split(string(got), "\n")))
			}
			checkDocument(t, got)
		})
	}
}

// checkDocument asserts what holds of every SVG: well formed, accessible, and
// nothing in it that runs or is fetched.
func checkDocument(t interface{ Errorf(string, ...any) }, svg []byte) {
	dec := xml.NewDecoder(bytes.NewReader(svg))
	var path []string
	var role, labelled, title, desc string
	ids := map[string]int{}
	known := map[string]bool{"svg": true, "title": true, "desc": true, "g": true, "path": true, "text": true}
	for {
		token, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Errorf("not well formed: %v", err)
			return
		}
		switch k := token.(type) {
		case xml.StartElement:
			path = append(path, k.Name.Local)
			if !known[k.Name.Local] {
				t.Errorf("element %s", k.Name.Local)
			}
			if k.Name.Local == "text" && !slices.ContainsFunc(k.Attr, func(a xml.Attr) bool { return a.Name.Local == "textLength" }) {
				t.Errorf("a text that may run over: %v", k.Attr)
			}
			for _, a := range k.Attr {
				switch a.Name.Local {
				case "id":
					ids[a.Value]++
				case "role":
					role = a.Value
				case "aria-labelledby":
					labelled = a.Value
				case "href", "style", "src":
					t.Errorf("attribute %s", a.Name.Local)
				}
				if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") || strings.HasPrefix(a.Name.Local, "on") || strings.Contains(a.Value, "url(") {
					t.Errorf("attribute %s=%q", a.Name.Local, a.Value)
				}
			}
		case xml.EndElement:
			path = path[:len(path)-1]
		case xml.CharData:
			switch {
			case slices.Equal(path, []string{"svg", "title"}):
				title += string(k)
			case slices.Equal(path, []string{"svg", "desc"}):
				desc += string(k)
			}
		}
	}
	if role != "img" || title == "" || desc == "" {
		t.Errorf("role %q, title %q, desc %q", role, title, desc)
	}
	for _, id := range strings.Fields(labelled) {
		if ids[id] != 1 {
			t.Errorf("%d elements with the id %s", ids[id], id)
		}
	}
	if len(strings.Fields(labelled)) != 2 {
		t.Errorf("labelled by %q", labelled)
	}
}

func TestWordsInThePicture(t *testing.T) {
	svg, err := plot.SVG(typical())
	if err != nil {
		t.Fatal(err)
	}
	for _, words := range []string{
		">Drain 1, left axilla<", ">Rate, mL/h<", ">Daily total, mL<", "Trend of the rate: falling, n = 13, p ", ">serosanguineous<", ">output rise<",
		">emptied, not measured<", ">not known how much collected<", ">suction lost<", ">day preliminary<", ">concern: high<", ">moderate<", ">low<", ">still open<", "time in Europe/Berlin",
		">placed<", ">now<", "it does not diagnose",
	} {
		if !strings.Contains(string(svg), words) {
			t.Errorf("nowhere %q", words)
		}
	}
}

func TestDescribe(t *testing.T) {
	tests := []struct {
		name   string
		course plot.Course
		want   []string
	}{
		{"typical", typical(), []string{
			"14 emptyings, 1 not measured. The last at 27 Nov 14:00: 30 mL, 3.8 mL/h.",
			"Appearance: sanguineous from 23 Nov 18:00, serosanguineous from 24 Nov 10:00, serous from 25 Nov 22:00, serosanguineous from 27 Nov 14:00.",
			"Suction lost at 2 entries.",
			"Open concerns, most severe first: high: output rise since 27 Nov 14:00; moderate: darker since 27 Nov 14:00. 4 concerns over.",
			"(preliminary)", caution,
		}},
		{"a size that cannot be drawn", plot.Course{Width: 1, Placed: at(1, 0, 0), Entries: typical().Entries}, []string{"From 31 Oct 2026 23:00 to 27 Nov 2026 13:00, UTC."}},
		{"nothing", plot.Course{}, []string{"Nothing has been charted for this drain in this time. No concerns."}},
		{"not measured last", course([]drain.Entry{emptying("1", at(24, 8, 0), "", "")}, at(24, 0, 0), time.Time{}, at(24, 9, 0), berlin),
			[]string{"1 emptying, 1 not measured. The last at 24 Nov 08:00, not measured.", "Daily totals: Mon 23 Nov no reading; Tue 24 Nov no reading.", "No concerns."}},
	}
	for _, tc := range tests {
		got := plot.Describe(tc.course)
		for _, want := range tc.want {
			if !strings.Contains(got, want) {
				t.Errorf("%s: %q is not in:\n%s", tc.name, want, got)
			}
		}
	}
}

// TestPNG decodes the pictures, checks their size and that they are grey.
func TestPNG(t *testing.T) {
	for _, tc := range courses {
		c := tc.course()
		const dpi = 96
		b, err := plot.PNG(c, dpi)
		if err != nil {
			t.Fatal(tc.name, err)
		}
		img, err := png.Decode(bytes.NewReader(b))
		if err != nil {
			t.Fatal(tc.name, err)
		}
		if c.Width == 0 {
			c.Width, c.Height = plot.A5Width, plot.A5Height
		}
		want := image.Pt(int(math.Round(c.Width*dpi/72)), int(math.Round(c.Height*dpi/72)))
		if got := img.Bounds().Size(); got != want {
			t.Errorf("%s: %v, want %v", tc.name, got, want)
		}
		inked := 0
		for y := range want.Y {
			for x := range want.X {
				r, g, b, a := img.At(x, y).RGBA()
				if r != g || g != b || a != 0xffff {
					t.Fatalf("%s: colour %v at %d, %d", tc.name, img.At(x, y), x, y)
				}
				if color.GrayModel.Convert(img.At(x, y)).(color.Gray).Y < 128 {
					inked++
				}
			}
		}
		if inked < 500 {
			t.Errorf("%s: only %d dark pixels", tc.name, inked)
		}
		if dir := os.Getenv("PLOT_LOOK"); dir != "" { // to look at them
			b, _ := plot.PNG(c, 150)
			os.WriteFile(filepath.Join(dir, tc.name+".png"), b, 0o644)
		}
	}
}

func TestSameInputSameBytes(t *testing.T) {
	c := typical()
	svg, err := plot.SVG(c)
	if err != nil {
		t.Fatal(err)
	}
	picture, err := plot.PNG(c, 72)
	if err != nil {
		t.Fatal(err)
	}
	before := typical()
	// In whatever order the parts come, and from several callers at once.
	c.Entries = slices.Clone(c.Entries) // the intervals may share them
	slices.Reverse(c.Entries)
	slices.Reverse(c.Concerns)
	slices.Reverse(c.Intervals)
	slices.Reverse(c.Days)
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			if again, err := plot.SVG(c); err != nil || !bytes.Equal(again, svg) {
				t.Errorf("another SVG (%v)", err)
			}
			if again, err := plot.PNG(c, 72); err != nil || !bytes.Equal(again, picture) {
				t.Errorf("another PNG (%v)", err)
			}
		})
	}
	wg.Wait()
	slices.Reverse(c.Entries)
	if diff := cmp.Diff(before.Entries, c.Entries); diff != "" {
		t.Errorf("drawing altered the entries: %s", diff)
	}
}

func TestSizesRefused(t *testing.T) {
	c := typical()
	for _, size := range [][2]float64{{10, 420}, {595, 10}, {1e9, 420}, {595, math.Inf(1)}, {math.NaN(), 420}, {-1, 420}} {
		c.Width, c.Height = size[0], size[1]
		if _, err := plot.SVG(c); !fault.Is(err, fault.Invalid) {
			t.Errorf("SVG of %v: %v", size, err)
		}
		if _, err := plot.PNG(c, 96); !fault.Is(err, fault.Invalid) {
			t.Errorf("PNG of %v: %v", size, err)
		}
	}
	for _, dpi := range []int{-1, 0, 10, 10_000} {
		if _, err := plot.PNG(typical(), dpi); !fault.Is(err, fault.Invalid) {
			t.Errorf("%d dpi: %v", dpi, err)
		}
	}
	c.Width, c.Height = 2400, 2400
	if _, err := plot.PNG(c, 600); !fault.Is(err, fault.Invalid) {
		t.Errorf("a picture of 400 million pixels: %v", err)
	}
}

// TestAbsurdFigures: a slip of the keyboard must not spoil the document.
func TestAbsurdFigures(t *testing.T) {
	huge := drain.ML(new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(400), nil)))
	c := typical()
	c.Intervals[3].Measured = huge
	c.Days[1].Net = huge
	c.Days[0].U = math.NaN()
	c.Days[2].U = math.Inf(1)
	c.Trend.Slope.Value = math.Inf(-1)
	c.Title = "\x00\x1b[31m\xff</text><script>alert(1)</script>\uFFFE"
	c.Entries[0].Appearance = "\"><svg onload=x>"
	svg, err := plot.SVG(c)
	if err != nil {
		t.Fatal(err)
	}
	checkDocument(t, svg)
}

func BenchmarkSVG(b *testing.B) {
	for _, tc := range courses {
		c := tc.course()
		b.Run(tc.name, func(b *testing.B) {
			for b.Loop() {
				if _, err := plot.SVG(c); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkPNG(b *testing.B) {
	c := typical()
	for b.Loop() {
		if _, err := plot.PNG(c, 150); err != nil {
			b.Fatal(err)
		}
	}
}
