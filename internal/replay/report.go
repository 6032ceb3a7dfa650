package replay

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"tidemark/internal/drain"
)

// Format is how a result is written.
type Format string

// Formats of a result.
const (
	Table Format = "table"
	CSV   Format = "csv" // one figure a line
	JSON  Format = "json"
)

// Write writes the result.
func (r *Result) Write(w io.Writer, f Format) error {
	switch f {
	case JSON:
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(r)
	case CSV:
		return r.csv(w)
	}
	return r.table(w)
}

func (r *Result) table(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	line := func(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }
	line("%d drains, %.0f drain-days, %d entries, %s to %s.", r.Drains, r.Days, r.Entries, r.From.UTC().Format("2006-01-02"), r.To.UTC().Format("2006-01-02"))
	for _, p := range r.Policies {
		approved := p.Approved
		if approved == "" {
			approved = "not approved: an example only"
		}
		line("%s: policy version %s, %s.", p.Name, p.Version, approved)
	}
	two := len(r.Policies) > 1
	for _, ward := range r.Wards {
		if ward.Ward != All && len(r.Wards) == 2 {
			continue // the only one
		}
		line("")
		name := "All wards"
		if ward.Ward != All {
			name = "Ward " + ward.Ward
		}
		line("%s: %d drains, %.0f drain-days. Rates are per 100 drain-days.", name, ward.Drains, ward.Days)
		line("policy\tconcern\trule\tseverity\tconcerns\trate\tannounced\trate\tclosings\tacknowledged\tafter (median)")
		for _, c := range r.Counts {
			if c.Ward != ward.Ward {
				continue
			}
			acknowledged, after := "-", "-"
			if c.Acknowledged > 0 {
				acknowledged, after = percent(c.Acknowledged, c.Concerns), fmt.Sprintf("%.0f min", c.After)
			}
			line("%s\t%s\t%s\t%s\t%d\t%.1f\t%d\t%.1f\t%d\t%s\t%s", c.Policy, c.Concern, dash(c.Rule), c.Severity, c.Concerns, c.ConcernsRate,
				c.Announcements, c.AnnouncedRate, c.Closings, acknowledged, after)
		}
		if !two {
			continue
		}
		line("")
		line("%s instead of %s would change:", r.Policies[1].Name, r.Policies[0].Name)
		line("concern\tseverity\tadded\trate\tremoved\trate\traised to it\tlowered to it")
		for _, c := range r.Changed {
			if c.Ward == ward.Ward {
				line("%s\t%s\t%d\t%.1f\t%d\t%.1f\t%d\t%d", c.Concern, c.Severity, c.Added, c.AddedRate, c.Removed, c.RemovedRate, c.Raised, c.Lowered)
			}
		}
	}
	if len(r.Events) > 0 {
		line("")
		line("Events: found at any severity / at high severity; delays in hours from the onset; looked: until the first emptying was charted.")
		line("policy\tevent\tevents\tlooked\tfound\tin 4 h\tin 12 h\tmedian\t9 of 10\thigh\tin 4 h\tin 12 h\tmedian\t9 of 10\tat the entry that says it\tannounced an event\tat first")
		for _, f := range r.Events {
			said := "-"
			if f.Telling > 0 {
				said = percent(f.AtEntry, f.Telling)
			}
			line("%s\t%s\t%d\t%.2f\t%s\t%s\t%s\t%.2f\t%.1f\t%s\t%s\t%s\t%.2f\t%.1f\t%s\t%.1f\t%.1f", f.Policy, f.Event, f.Events, f.Looked.Median,
				percent(f.Any.Found, f.Events), percent(f.Any.Within4h, f.Events), percent(f.Any.Within12h, f.Events), f.Any.Median, f.Any.Ninety,
				percent(f.High.Found, f.Events), percent(f.High.Within4h, f.Events), percent(f.High.Within12h, f.Events), f.High.Median, f.High.Ninety,
				said, f.PerEvent, f.AtFirst)
		}
	}
	if len(r.False) > 0 {
		line("")
		line("Announced of drains to which nothing had happened, %.0f drain-days.", r.False[0].Days)
		line("policy\tconcern\tseverity\tannounced\trate\trules")
		for _, n := range r.False {
			var rules []string
			for _, rule := range slices.Sorted(maps.Keys(n.Rules)) {
				rules = append(rules, fmt.Sprintf("%s %d", rule, n.Rules[rule]))
			}
			line("%s\t%s\t%s\t%d\t%.1f\t%s", n.Policy, n.Concern, n.Severity, n.Announcements, n.Rate, strings.Join(rules, ", "))
		}
	}
	return w.Flush()
}

func percent(n, of int) string {
	if of == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f %%", 100*float64(n)/float64(of))
}

func dash(s string) string {
	if s == "" {
		return "(any)"
	}
	return s
}

// csv writes one figure a line, so that tables of different shapes are one.
func (r *Result) csv(out io.Writer) error {
	w := csv.NewWriter(out)
	var err error
	put := func(section, policy, ward, concern, rule string, severity drain.Severity, event, figure string, value float64) {
		if err == nil {
			err = w.Write([]string{section, policy, ward, concern, rule, string(severity), event, figure, strconv.FormatFloat(value, 'f', -1, 64)})
		}
	}
	if err := w.Write([]string{"section", "policy", "ward", "concern", "rule", "severity", "event", "figure", "value"}); err != nil {
		return err
	}
	for _, v := range r.Wards {
		put("ward", "", v.Ward, "", "", "", "", "drains", float64(v.Drains))
		put("ward", "", v.Ward, "", "", "", "", "drain-days", v.Days)
	}
	for _, c := range r.Counts {
		for _, f := range []figure{
			{"concerns", float64(c.Concerns)}, {"concerns per 100 drain-days", c.ConcernsRate}, {"announcements", float64(c.Announcements)},
			{"announcements per 100 drain-days", c.AnnouncedRate}, {"closings", float64(c.Closings)}, {"acknowledged", float64(c.Acknowledged)},
			{"minutes to acknowledge, median", c.After},
		} {
			put("count", c.Policy, c.Ward, c.Concern, c.Rule, c.Severity, "", f.name, f.value)
		}
	}
	for _, c := range r.Changed {
		for _, f := range []figure{
			{"added", float64(c.Added)}, {"removed", float64(c.Removed)}, {"raised", float64(c.Raised)}, {"lowered", float64(c.Lowered)},
			{"added per 100 drain-days", c.AddedRate}, {"removed per 100 drain-days", c.RemovedRate},
		} {
			put("changed", "", c.Ward, c.Concern, "", c.Severity, "", f.name, f.value)
		}
	}
	for _, e := range r.Events {
		figures := []figure{
			{"events", float64(e.Events)}, {"entries that say it", float64(e.Telling)}, {"announced at the entry that says it", float64(e.AtEntry)},
			{"announcements per event", e.PerEvent}, {"announcements at first", e.AtFirst},
		}
		for _, d := range []struct {
			of string
			Delay
		}{{"looked", e.Looked}, {"any", e.Any}, {"high", e.High}} {
			figures = append(figures, figure{d.of + ": found", float64(d.Found)}, figure{d.of + ": found in 4 h", float64(d.Within4h)},
				figure{d.of + ": found in 12 h", float64(d.Within12h)}, figure{d.of + ": hours, median", d.Median}, figure{d.of + ": hours, 9 of 10", d.Ninety})
		}
		for _, f := range figures {
			put("event", e.Policy, "", "", "", "", e.Event, f.name, f.value)
		}
	}
	for _, n := range r.False {
		put("needless", n.Policy, "", n.Concern, "", n.Severity, "", "healthy drain-days", n.Days)
		put("needless", n.Policy, "", n.Concern, "", n.Severity, "", "announcements", float64(n.Announcements))
		put("needless", n.Policy, "", n.Concern, "", n.Severity, "", "announcements per 100 drain-days", n.Rate)
		for _, rule := range slices.Sorted(maps.Keys(n.Rules)) {
			put("needless", n.Policy, "", n.Concern, rule, n.Severity, "", "announcements", float64(n.Rules[rule]))
		}
	}
	if w.Flush(); err == nil {
		err = w.Error()
	}
	return err
}

type figure struct {
	name  string
	value float64
}
