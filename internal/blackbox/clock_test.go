package blackbox

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"
)

// TestClockChange: a ward in Berlin, on the days on which the clocks change:
// the autumn night shift lasts 13 h and its day 25 h, the spring one 11 h and
// 23 h. Rules, section 3: the ward's day from 07:00, shifts 07:00–19:00 and
// 19:00–07:00.
func TestClockChange(t *testing.T) {
	policy := filepath.Join(t.TempDir(), "ward.yaml")
	if err := os.WriteFile(policy, []byte("calendar:\n  zone: \"Europe/Berlin\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := shell(t.Context(), fmt.Sprintf("%q policy check %q", binary, policy)); err != nil {
		t.Fatalf("policy check: %v %s", err, out)
	}
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	c := serve(t, "--policy", policy).client()
	for _, tc := range []struct {
		name       string
		day        time.Time // 07:00 before the change
		night, all time.Duration
		readings   []string // instants in the ward's writing, 10 mL each
		shifts     [2]string
	}{
		// 02:30 comes twice in autumn: with +02:00 and, an hour later, with +01:00.
		{"autumn 2025", time.Date(2025, 10, 25, 7, 0, 0, 0, berlin), 13 * time.Hour, 25 * time.Hour,
			[]string{"2025-10-25T12:00:00+02:00", "2025-10-25T18:59:59+02:00", "2025-10-25T19:00:00+02:00", "2025-10-26T02:30:00+02:00", "2025-10-26T02:30:00+01:00", "2025-10-26T06:59:59+01:00"}, [2]string{"20", "40"}},
		{"autumn 2026", time.Date(2026, 10, 24, 7, 0, 0, 0, berlin), 13 * time.Hour, 25 * time.Hour,
			[]string{"2026-10-24T12:00:00+02:00", "2026-10-25T02:59:59+02:00", "2026-10-25T02:00:00+01:00", "2026-10-25T03:00:00+01:00", "2026-10-25T06:30:00+01:00"}, [2]string{"10", "40"}},
		{"spring 2026", time.Date(2026, 3, 28, 7, 0, 0, 0, berlin), 11 * time.Hour, 23 * time.Hour,
			[]string{"2026-03-28T18:00:00+01:00", "2026-03-29T01:59:59+01:00", "2026-03-29T03:00:00+02:00", "2026-03-29T06:00:00+02:00"}, [2]string{"10", "30"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if tc.day.Add(50 * time.Hour).After(time.Now()) {
				t.Skip("skipped: this machine's clock stands before that day")
			}
			c := c.in(t)
			b := c.bed(strings.ReplaceAll(tc.name, " ", "-"), tc.day.Add(-24*time.Hour))
			for _, at := range tc.readings {
				o := emptying(b, tc.day, "10", "mL")
				o["effectiveDateTime"] = at
				a := c.do("POST", "Observation", o).want(201)
				if got := c.do("GET", "Observation/"+a.id(), nil).str("effectiveDateTime"); got != at {
					t.Errorf("%s comes back as %s", at, got)
				}
			}
			end := tc.day.Add(tc.all)
			windows := func(period string, start, end string) map[string][3]string {
				out := map[string][3]string{}
				for _, e := range c.do("GET", "Device/"+b.drain+"/$drain-output?"+query("period", period, "start", start, "end", end), nil).want(200).list("entry") {
					r := dig(e, "resource")
					if !strings.HasPrefix(text(r, "code.coding.0.code"), "drain-output-total") {
						continue // rates, trend and course stand beside the totals
					}
					from, err := time.Parse(time.RFC3339, text(r, "effectivePeriod.start"))
					if err != nil {
						t.Errorf("no window: %v", r)
						continue
					}
					to, _ := time.Parse(time.RFC3339, text(r, "effectivePeriod.end"))
					out[from.In(berlin).Format("02 15:04 MST")] = [3]string{to.Sub(from).String(), text(r, "valueQuantity.value"), text(r, "effectivePeriod.start")}
				}
				return out
			}
			shifts := windows("shift", instant(tc.day), instant(end))
			day := shifts[tc.day.Format("02 15:04 MST")]
			night := shifts[tc.day.Add(12*time.Hour).Format("02 15:04 MST")]
			if len(shifts) != 2 || day[0] != "12h0m0s" || day[1] != tc.shifts[0] || night[0] != tc.night.String() || night[1] != tc.shifts[1] {
				t.Errorf("shifts of %v: %v; want a night of %s with %s mL", tc.day, shifts, tc.night, tc.shifts[1])
			}
			for _, bounds := range [][2]string{{instant(tc.day), instant(end)}, {tc.day.Format("2006-01-02"), tc.day.Format("2006-01-02")}} {
				days := windows("day", bounds[0], bounds[1])
				whole := days[tc.day.Format("02 15:04 MST")]
				if len(days) != 1 || whole[0] != tc.all.String() || whole[1] != fmt.Sprint(10*len(tc.readings)) {
					t.Errorf("days by %v: %v; want one of %s with %d mL", bounds, days, tc.all, 10*len(tc.readings))
				}
			}
			hours := windows("hour", instant(tc.day), instant(end))
			if len(hours) != int(tc.all.Hours()) {
				t.Errorf("%d hours in a day of %s", len(hours), tc.all)
			}
			// Rules, section 3: an hour in which nothing was emptied has no volume.
			charted := 0
			for _, h := range hours {
				if h[1] == "10" {
					charted++
				} else if h[1] != "" {
					t.Errorf("an hour has %s mL: %v", h[1], hours)
				}
			}
			if charted != len(tc.readings) {
				t.Errorf("%d hours with a volume, %d were charted: %v", charted, len(tc.readings), hours)
			}
		})
	}
}
