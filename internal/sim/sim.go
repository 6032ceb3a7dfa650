// Package sim owns a simulated hospital: wards, patients and drains that do not
// exist, and the FHIR resources that charting front ends would post of them.
// What it makes depends on its Options alone. It writes to no store and no
// server, and evaluates nothing.
//
// # What is simulated
//
// Fluid forms in a body space at a rate that follows the drain's course. The
// drain carries it into its reservoir, faster with stronger suction. Suction falls
// as the reservoir fills, and there is none once the reservoir is full, the suction
// is lost or the tube is blocked. The fluid left behind drains later or leaks past
// the tube. A nurse empties the reservoir and reads the volume off a vessel, to the
// vessel's marks. So every charted volume is a rounded part of one balance:
// the fluid formed equals the fluid emptied, still inside, and lost.
//
// Amounts are whole microlitres and times whole minutes, so that the same seed
// gives the same bytes on every machine.
//
// The courses are in one table, Courses. They are a scenario of our own, not
// clinical data; no rate or time constant here has a published source.
package sim

import (
	"cmp"
	"iter"
	"slices"
	"time"

	"tidemark/internal/fhirjson"
)

// Options say what hospital to simulate. A zero Wards, Patients or Days means one.
type Options struct {
	Seed     uint64
	Wards    int
	Patients int       // beds of each ward, all of them taken
	Days     int       // charting begins so many days before End
	End      time.Time // charting reaches up to here
	Zone     *time.Location

	// Untidy is how untidily the ward works and charts; the zero value is tidy.
	Untidy Untidy
	// Events replaces the courses with a hospital for measuring rules: its drains
	// heal, and this percentage of them have one event at a random time.
	Events int
	// Truth is called with what really happened to a drain, once it is over.
	Truth func(Event)
}

// Demo is a surgical ward of 30 patients with about 50 drains, charted over five
// days that end at now. Every course occurs once.
func Demo(now time.Time, seed uint64) Options {
	return Options{Seed: seed, Wards: 1, Patients: 30, Days: 5, End: now, Zone: now.Location()}
}

func (o Options) normal() Options {
	o.Wards, o.Patients, o.Days = max(o.Wards, 1), max(o.Patients, 1), max(o.Days, 1)
	o.End = o.End.Truncate(time.Minute)
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	return o
}

// Methods of a Step.
const (
	Put    = "PUT"    // creates the resource, or corrects it
	Delete = "DELETE" // deletes the resource
)

// Step is one thing that a front end does.
type Step struct {
	// At is when it was posted: minutes after the time that an entry is about, or
	// hours where somebody charts late.
	At       time.Time
	Method   string
	Type, ID string // of the resource
	body     body   // nil for Delete
	order    int    // order among steps at the same instant
}

// body is a resource that can be written as JSON. The many Observations are
// written without a tree.
type body interface{ Append(dst []byte) []byte }

// AppendJSON writes the resource as compact JSON; nothing for Delete.
func (s Step) AppendJSON(dst []byte) []byte {
	if s.body == nil {
		return dst
	}
	return s.body.Append(dst)
}

// Resource returns the tree of what AppendJSON writes; nil for Delete. The caller
// may change it.
func (s Step) Resource() *fhirjson.Node {
	if s.body == nil {
		return nil
	}
	if n, ok := s.body.(*fhirjson.Node); ok {
		return n.Clone()
	}
	n, err := fhirjson.Parse(s.body.Append(nil))
	if err != nil {
		panic("sim: wrote what is not JSON: " + err.Error()) // the texts are constants of this package
	}
	return n
}

// slice is how much time is simulated at once. Each bed in turn is simulated for
// one slice, and the steps are sorted. However long the run, memory holds only the
// current state, the steps of one slice and the late entries still to come.
const slice = 60

// Steps gives what happens in the hospital in order of At.
func Steps(o Options) iter.Seq[Step] {
	return func(yield func(Step) bool) {
		h := newHospital(o.normal())
		h.open()
		for from := h.start; from < h.end; from += slice {
			until := min(from+slice, h.end)
			for i := range h.beds {
				h.beds[i].advance(until)
			}
			slices.SortFunc(h.queue, func(a, b Step) int {
				if c := a.At.Compare(b.At); c != 0 {
					return c
				}
				return cmp.Compare(a.order, b.order)
			})
			// Nothing that is still to happen is posted before until.
			done := 0
			for ; done < len(h.queue) && h.queue[done].At.Before(h.clock(until)); done++ {
				if !yield(h.queue[done]) {
					return
				}
			}
			h.queue = slices.Delete(h.queue, 0, done)
		}
		for i := range h.beds {
			for _, t := range h.beds[i].tubes {
				t.over(h.end)
			}
		}
	}
}

// Totals are the number of resources to expect.
type Totals struct {
	Steps        int
	Observations int // steps that write one, corrections among them
}

// Count returns the expected totals: exact for one ward; for several, those of the
// first ward times their number.
func Count(o Options) Totals {
	o = o.normal()
	o.Truth = nil
	wards := o.Wards
	o.Wards = 1
	var one Totals
	shared := 0
	for s := range Steps(o) {
		switch {
		case s.Type == "Observation" && s.Method == Put:
			one.Observations++
		case s.ID == hospitalID:
			shared++
		}
		one.Steps++
	}
	return Totals{shared + (one.Steps-shared)*wards, one.Observations * wards}
}
