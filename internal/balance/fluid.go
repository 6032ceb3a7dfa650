package balance

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"math/big"
	"slices"
	"sort"
	"strings"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// DrainEntries is a drain of the patient with what was charted of it.
type DrainEntries struct {
	Drain   drain.Drain
	Placed  time.Time // zero: not known
	Removed time.Time // zero: in place
	Entries []drain.Entry
}

// Line is one source of a balance: a drain, or a route of intake or output.
type Line struct {
	Source           string // id of the drain, or code of the route
	Label            string
	In               bool
	Drain            bool
	Volume           drain.Volume // of a drain: net of irrigant
	U                float64      // as in Total
	HasU, LowerBound bool
	Readings         []string
	Coverage         *big.Rat // of a drain; nil for a route, of which nobody knows how much is charted
	Preliminary      bool
}

// Balance is a patient's fluid balance in one window.
type Balance struct {
	Window         window.Window
	Intake, Output drain.Volume // Output without drains
	Drains         drain.Volume // net of irrigant, and so possibly negative
	Net            drain.Volume // Intake − Output − Drains
	Lines          []Line       // intake, output, drains; by code or label
	// Missing names, in words, what the figures lack. A source of which nothing is
	// known in the window has no line, for that would read as zero.
	Missing          []string
	U                float64 // expanded, of Net; the lines taken as independent
	HasU, LowerBound bool
	// UrinePerKgH is the urine in mL per kilogram and hour of the window so far.
	// It is nil where no weight is known, where no urine is charted in the window,
	// and where some urine was not measured, which would make the rate too low. A
	// measured zero is 0. Whether a rate is low is not evaluated here.
	UrinePerKgH   *big.Rat
	Kilograms     drain.Volume // the latest weight charted before the window's end, if WeightReading is set
	WeightReading string
	// Preliminary: the window is not over, something is Missing, or an entry is
	// itself preliminary.
	Preliminary bool
}

// urineRoutes are the LOINC codes of urine: urine output, its series by 1, 8, 10,
// 12 and 24 hours, by catheterisation in and out, and from a nephrostomy.
var urineRoutes = map[string]bool{
	"9187-6": true, "9188-4": true, "9189-2": true, "9190-0": true, "9191-8": true, "9192-6": true,
	"9195-9": true, "79549-2": true,
}

// Fluid gives the balance of one patient in each window: intake − output − net
// output of the drains. The flows are the patient's intake, output and weights;
// entries may come in any order, and kinds that do not belong are passed over.
//
// Flows count in the window of their time in both attributions, since nobody
// charts since when a volume of urine collected or a drink was taken. Weights may
// be older than the windows. Missing are named: a drain with time that is not
// covered; a flow that was not measured; and a route of which something was
// charted earlier in the span of the windows but nothing in this one.
func Fluid(drains []DrainEntries, flows []drain.Entry, ws []window.Window, a Attribution, s Settings, now time.Time) []Balance {
	balances := make([]Balance, len(ws))
	f := sortFlows(flows, ws)
	for i, w := range ws {
		balances[i] = f.balance(w, s, now)
	}
	drains = slices.SortedFunc(slices.Values(drains), func(a, b DrainEntries) int {
		return cmp.Or(cmp.Compare(a.Drain.Label, b.Drain.Label), cmp.Compare(a.Drain.ID, b.Drain.ID))
	})
	for _, d := range drains {
		for i, t := range Totals(d.Entries, d.Placed, d.Removed, ws, a, s, now) {
			balances[i].addDrain(d.Drain, t)
		}
	}
	never := f.neverCharted()
	for i := range balances {
		if never != "" {
			balances[i].Missing = append(balances[i].Missing, never)
		}
		balances[i].sum(now)
	}
	return balances
}

// neverCharted words that a balance lacks a whole side of it.
func (b flowBook) neverCharted() string {
	intake, urine := false, false
	for r := range b.labels {
		intake = intake || r.in
		urine = urine || r.isUrine()
	}
	switch {
	case len(b.labels) == 0:
		return "drain output only: neither intake nor urine is charted"
	case !intake && !urine:
		return "neither intake nor urine is charted"
	case !intake:
		return "no intake is charted"
	case !urine:
		return "no urine is charted"
	}
	return ""
}

func (r route) isUrine() bool {
	return !r.in && urineRoutes[r.code[strings.LastIndexByte(r.code, '|')+1:]]
}

// route is a source of flows.
type route struct {
	in   bool
	code string
}

func routeOf(e *drain.Entry) route {
	return route{in: e.Kind == drain.Intake, code: cmp.Or(e.Route, e.RouteText, "not said")}
}

func (r route) compare(o route) int {
	if r.in != o.in {
		if r.in {
			return -1
		}
		return 1
	}
	return cmp.Compare(r.code, o.code)
}

// flowBook holds the flows of a patient in time order.
type flowBook struct {
	flows, weights []*drain.Entry
	span           time.Time // start of the first window
	first          map[route]time.Time
	labels         map[route]string
}

func sortFlows(entries []drain.Entry, ws []window.Window) flowBook {
	b := flowBook{first: map[route]time.Time{}, labels: map[route]string{}}
	for i, w := range ws {
		if i == 0 || w.Start.Before(b.span) {
			b.span = w.Start
		}
	}
	sorted := make([]*drain.Entry, len(entries))
	for i := range entries {
		sorted[i] = &entries[i]
	}
	slices.SortFunc(sorted, byTime)
	for _, e := range sorted {
		switch {
		case !e.Counts():
		case e.Kind == drain.Weight:
			if e.Kilograms.Sign() > 0 {
				b.weights = append(b.weights, e)
			}
		case e.Kind == drain.Intake || e.Kind == drain.Output:
			if e.At.Before(b.span) {
				continue
			}
			b.flows = append(b.flows, e)
			r := routeOf(e)
			if _, seen := b.first[r]; !seen {
				b.first[r] = e.At
			}
			b.labels[r] = cmp.Or(e.RouteText, b.labels[r], r.code)
		}
	}
	return b
}

// before gives the entries, which are in time order, before t.
func before(entries []*drain.Entry, t time.Time) []*drain.Entry {
	return entries[:sort.Search(len(entries), func(i int) bool { return !entries[i].At.Before(t) })]
}

// balance gives the lines of the routes in one window, and the urine rate.
func (b flowBook) balance(w window.Window, s Settings, now time.Time) Balance {
	bal := Balance{Window: w}
	zone := w.Start.Location()
	byRoute := map[route][]*drain.Entry{}
	for _, e := range before(b.flows, w.End)[len(before(b.flows, w.Start)):] {
		byRoute[routeOf(e)] = append(byRoute[routeOf(e)], e)
	}
	var urine drain.Volume
	urineKnown, urineGap := false, false
	for _, r := range slices.SortedFunc(maps.Keys(b.labels), route.compare) {
		entries, label := byRoute[r], b.labels[r]
		if len(entries) == 0 {
			if b.first[r].Before(w.Start) && w.Start.Before(now) {
				bal.Missing = append(bal.Missing, fmt.Sprintf("%s: nothing charted in this window, though it was before", label))
			}
			continue
		}
		line := Line{Source: r.code, Label: label, In: r.in}
		u := uncertainty{settings: s}
		isUrine := r.isUrine()
		for _, e := range entries {
			line.Preliminary = line.Preliminary || e.Preliminary()
			v, known := e.Net()
			if !known {
				words := fmt.Sprintf("%s: the volume at %s was not measured", label, window.Clock(e.At, now.In(zone)))
				if e.Measured.Absent != "" {
					words += " (" + e.Measured.Absent + ")"
				}
				bal.Missing = append(bal.Missing, words)
				urineGap = urineGap || isUrine
				continue
			}
			line.Volume = line.Volume.Add(v)
			line.Readings = append(line.Readings, e.ID)
			u.add(*e, 1)
		}
		if line.Readings == nil {
			continue
		}
		line.HasU, line.LowerBound = u.known, u.absent
		if line.HasU {
			line.U = u.expanded()
		}
		if isUrine {
			urine, urineKnown = urine.Add(line.Volume), true
		}
		bal.Lines = append(bal.Lines, line)
	}
	if weights := before(b.weights, w.End); len(weights) > 0 {
		last := weights[len(weights)-1]
		bal.Kilograms, bal.WeightReading = last.Kilograms, last.ID
		elapsed := earlier(w.End, now).Sub(w.Start)
		if urineKnown && !urineGap && elapsed > 0 {
			kgHours := new(big.Rat).Mul(last.Kilograms.Rat(), hours(elapsed))
			bal.UrinePerKgH = urine.Rat().Quo(urine.Rat(), kgHours)
		}
	}
	return bal
}

// addDrain adds the line of a drain, and names what is missing of it.
func (b *Balance) addDrain(d drain.Drain, t Total) {
	label := cmp.Or(d.Label, d.ID)
	for _, m := range t.Missing {
		if m.Reason != NotOver {
			b.Missing = append(b.Missing, label+": "+m.Words)
		}
	}
	if t.N == 0 && t.Covered == 0 { // not in place, or nothing known
		return
	}
	b.Lines = append(b.Lines, Line{
		Source: d.ID, Label: label, Drain: true,
		Volume: t.Net, U: t.U, HasU: t.HasU, LowerBound: t.LowerBound,
		Readings: t.Readings, Coverage: t.Coverage, Preliminary: t.Preliminary,
	})
}

// sum makes the figures of the balance from its lines.
func (b *Balance) sum(now time.Time) {
	squares := 0.0
	b.Preliminary = now.Before(b.Window.End) || len(b.Missing) > 0
	for _, l := range b.Lines {
		switch {
		case l.Drain:
			b.Drains = b.Drains.Add(l.Volume)
		case l.In:
			b.Intake = b.Intake.Add(l.Volume)
		default:
			b.Output = b.Output.Add(l.Volume)
		}
		squares += l.U * l.U
		b.HasU = b.HasU || l.HasU
		b.LowerBound = b.LowerBound || l.LowerBound
		b.Preliminary = b.Preliminary || l.Preliminary
	}
	b.U = math.Sqrt(squares)
	b.Net = b.Intake.Sub(b.Output).Sub(b.Drains)
}
