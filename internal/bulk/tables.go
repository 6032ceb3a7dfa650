package bulk

import (
	"cmp"
	"context"
	"errors"
	"path/filepath"
	"slices"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// overlay knows what changed behind the horizon, and how it was before. With it
// the store's projections, which are of now, are read as of the horizon. It
// holds what is written while the export runs, not what is kept.
type overlay struct {
	st     Store
	reader fhirmap.Reader
	read   int64
	facts  map[store.Key]store.Facts // as of the horizon; none for what was not there
	of     map[string][]store.Key    // by drain
}

const overlayPage = 500

// advance reads the feed to its end. What was read from the projections before
// is then either of the horizon or in the overlay.
func (o *overlay) advance(ctx context.Context) error {
	for {
		vs, err := o.st.Changes(ctx, o.read, overlayPage)
		if err != nil {
			return err
		}
		for _, v := range vs {
			if err := o.add(ctx, v); err != nil {
				return err
			}
			o.read = v.Seq
		}
		if len(vs) < overlayPage {
			return nil
		}
	}
}

func (o *overlay) add(ctx context.Context, v store.Version) error {
	if _, known := o.facts[v.Key]; known || v.Type != "Encounter" && !slices.Contains(TableTypes(), v.Type) {
		return nil
	}
	var f store.Facts
	if v.Number > 1 {
		// The first version behind the horizon follows the one of the horizon.
		before, err := o.st.ReadVersion(ctx, v.Key, v.Number-1)
		if err != nil {
			return err
		}
		if !before.Deleted() {
			if f, err = factsOf(before, o.reader); err != nil {
				return err
			}
		}
	}
	o.facts[v.Key] = f
	id := ""
	switch {
	case f.Entry != nil && f.Entry.Drain == "":
		id = ofPatient(f.Entry.Patient)
	case f.Entry != nil:
		id = f.Entry.Drain
	case f.Placement != nil:
		id = f.Placement.Drain
	case f.Concern != nil:
		id = f.Concern.Drain
	case f.Stay != nil:
		id = ofPatient(f.Stay.Patient)
	}
	if id != "" {
		o.of[id] = append(o.of[id], v.Key)
	}
	return nil
}

func factsOf(v store.Version, r fhirmap.Reader) (store.Facts, error) {
	n, err := fhirjson.Parse(v.JSON())
	if err != nil {
		return store.Facts{}, fault.Wrap(err, "read "+v.Key.String())
	}
	f, _ := r.Decode(n)
	return f, nil
}

func (o *Options) reader() fhirmap.Reader {
	return fhirmap.Reader{Zone: o.Extract.Zone, Base: o.Extract.Base}
}

// asOf puts the state of the horizon in the place of what changed since.
func asOf[T any](o *overlay, typ, drainID string, now []T, id func(T) string, of func(store.Facts) *T) []T {
	out := make([]T, 0, len(now))
	for _, x := range now {
		if _, changed := o.facts[store.Key{Type: typ, ID: id(x)}]; !changed {
			out = append(out, x)
		}
	}
	for _, key := range o.of[drainID] {
		if x := of(o.facts[key]); x != nil {
			out = append(out, *x)
		}
	}
	return out
}

// tables writes both flat tables, drain by drain in the order of the Devices'
// places in the feed.
func (r *run) tables(ctx context.Context) error {
	j := r.job
	opts := search.ParseOptions{Base: r.Extract.Base, Zone: r.Extract.Zone, Now: j.Time}
	var where []search.Query
	for _, text := range j.Request.Filters {
		q, err := parseTableFilter(text, opts)
		if err != nil {
			return err
		}
		where = append(where, q)
	}
	t := &tabulator{run: r, where: where, over: overlay{st: r.Store, reader: r.reader(), read: j.Horizon, facts: map[store.Key]store.Facts{}, of: map[string][]store.Key{}}}
	if j.Members != nil {
		t.members = make(map[string]bool, len(j.Members))
		for _, id := range j.Members {
			t.members[id] = true
		}
	}
	t.emptying = sheet[emptying]{r: r, spec: emptyings()}
	t.day = sheet[drainDay]{r: r, spec: drainDays()}
	t.placement = sheet[*stay]{r: r, spec: placements()}
	t.concern = sheet[raised]{r: r, spec: concerns()}
	t.assessment = sheet[siteLook]{r: r, spec: assessments()}
	t.fluid = sheet[fluid]{r: r, spec: fluids()}
	t.patient = sheet[*fhirjson.Node]{r: r, spec: patients()}
	t.changed = sheet[changed]{r: r, spec: changes()}
	defer func() {
		for _, s := range t.sheets() {
			s.abandon()
		}
	}()
	var err error
	if t.since, err = t.sinceFrom(ctx); err != nil {
		return err
	}
	if j.Unit == 0 {
		if err := r.drains(ctx, t); err != nil {
			return err
		}
		// Of the drains everything is written; the patients begin files of their own.
		if err := t.close(); err != nil {
			return err
		}
		j.Unit, j.After = 1, 0
		if err := r.keep(ctx); err != nil {
			return err
		}
	}
	if err := r.people(ctx, t); err != nil {
		return err
	}
	// A reader of tables expects the columns also where there is no row.
	for _, s := range t.sheets() {
		if t.since == nil && s == kept(&t.changed) {
			continue // there is nothing to replace
		}
		if err := s.ensure(); err != nil {
			return err
		}
	}
	if err := t.close(); err != nil {
		return err
	}
	j.Unit, j.After = tableUnits, 0
	return r.keep(ctx)
}

// tableUnits are the drains, then the patients.
const tableUnits = 2

// drains writes the rows of each drain.
func (r *run) drains(ctx context.Context, t *tabulator) error {
	j := r.job
	after := j.After
	for {
		page, err := r.scan.Scan(ctx, "Device", after, j.Horizon, 100)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			return nil
		}
		for _, v := range page {
			after = v.Seq
			if v.Deleted() {
				if t.since != nil && t.since.drains[v.ID] {
					if err := t.changed.row(changed{"drain", v.ID}); err != nil {
						return err
					}
				}
				continue
			}
			if err := t.drain(ctx, v); err != nil {
				return err
			}
			if t.rowsHeld() >= r.FileRows {
				if err := t.close(); err != nil {
					return err
				}
				j.After = after
				if err := r.keep(ctx); err != nil {
					return err
				}
			}
			if err := r.pulse(ctx, "flat tables:", after); err != nil {
				return err
			}
		}
	}
}

// tabulator makes the rows of one drain after another.
type tabulator struct {
	*run
	where    []search.Query
	members  map[string]bool // nil: everybody
	over     overlay
	since    *delta // nil: everything
	emptying sheet[emptying]
	day      sheet[drainDay]

	placement  sheet[*stay]
	concern    sheet[raised]
	assessment sheet[siteLook]
	fluid      sheet[fluid]
	patient    sheet[*fhirjson.Node]
	changed    sheet[changed]
}

// kept is a sheet, whatever its rows are.
type kept interface {
	ensure() error
	close() error
	abandon()
	held() int64
}

// sheets are those of all tables.
func (t *tabulator) sheets() []kept {
	return []kept{&t.emptying, &t.day, &t.placement, &t.concern, &t.assessment, &t.fluid, &t.patient, &t.changed}
}

func (t *tabulator) rowsHeld() (n int64) {
	for _, s := range t.sheets() {
		n += s.held()
	}
	return n
}

func (t *tabulator) close() error {
	var errs []error
	for _, s := range t.sheets() {
		errs = append(errs, s.close())
	}
	return errors.Join(errs...)
}

func (t *tabulator) drain(ctx context.Context, v store.Version) error {
	f, err := factsOf(v, t.reader())
	if err != nil || f.Drain == nil {
		return err
	}
	c := course{drain: *f.Drain, now: t.job.Time, recorded: map[string]time.Time{}, admissions: t.mayAll("Encounter")}
	id := c.drain.ID
	if c.placements, err = t.Store.Placements(ctx, id); err != nil {
		return err
	}
	if !t.since.touches(&c) {
		return nil
	}
	if t.since != nil {
		if err := t.changed.row(changed{"drain", id}); err != nil {
			return err
		}
	}
	if c.entries, err = t.Store.Entries(ctx, store.EntryQuery{Drain: id}); err != nil {
		return err
	}
	if c.concerns, err = t.Store.Concerns(ctx, id, time.Time{}); err != nil {
		return err
	}
	if err := t.over.advance(ctx); err != nil {
		return err
	}
	c.placements = asOf(&t.over, "DeviceUseStatement", id, c.placements, func(p drain.Placement) string { return p.ID }, func(f store.Facts) *drain.Placement { return f.Placement })
	c.entries = asOf(&t.over, "Observation", id, c.entries, func(e drain.Entry) string { return e.ID }, func(f store.Facts) *drain.Entry { return f.Entry })
	slices.SortFunc(c.entries, drain.Entry.Compare) // those of the overlay stand last
	c.concerns = asOf(&t.over, "DetectedIssue", id, c.concerns, func(x drain.Concern) string { return x.ID }, func(f store.Facts) *drain.Concern { return f.Concern })
	if c.wards, err = t.wardsOf(ctx, &c, v); err != nil {
		return err
	}
	if t.Settings != nil {
		if c.settings, err = t.Settings(ctx, c.drain, c.placements); err != nil {
			return err
		}
	}
	if c.drain.Compartment == drain.Unspecified {
		if c.drain.Compartment, err = t.compartment(ctx, c.entries); err != nil {
			return err
		}
	}
	if err := t.histories(&c); err != nil {
		return err
	}
	return t.rows(ctx, &c)
}

// mayAll reports whether the caller may read every resource of the type. The
// tables rest on TableTypes; what else they tell needs its own right.
func (t *tabulator) mayAll(typ string) bool {
	whole := Right
	whole.Whole = true
	return t.job.Owner.principal().May([]string{typ}, whole) == nil
}

// compartment is what the code of an entry says of a drain that does not say
// which space it empties.
func (t *tabulator) compartment(ctx context.Context, entries []drain.Entry) (drain.Compartment, error) {
	for _, e := range entries {
		if e.Kind != drain.Emptying || !e.Counts() {
			continue
		}
		v, err := t.Store.ReadVersion(ctx, store.Key{Type: "Observation", ID: e.ID}, max(e.Version, 1))
		if err != nil && !fault.Is(err, fault.NotFound) {
			return "", err
		}
		if n, err := fhirjson.Parse(v.JSON()); err == nil {
			for _, coding := range n.Path("code").Each("coding") {
				if c, ok := fhirmap.CompartmentOf(coding.Str("system"), coding.Str("code")); ok {
					return c, nil
				}
			}
		}
		break // the entries of a drain have one code
	}
	return drain.Unspecified, nil
}

func (t *tabulator) rows(ctx context.Context, c *course) error {
	for _, st := range c.stays() {
		for _, e := range st.emptyings() {
			if !t.wants(e.entry.Patient, e.drain.ID, e.entry.At) {
				continue
			}
			first, err := t.Store.ReadVersion(ctx, store.Key{Type: "Observation", ID: e.entry.ID}, 1)
			if err != nil && !fault.Is(err, fault.NotFound) {
				return err
			}
			if err == nil {
				c.recorded[e.entry.ID] = first.At
			}
			t.run.rows++
			if err := t.emptying.row(e); err != nil {
				return err
			}
		}
		days, err := st.days()
		if err != nil {
			t.job.note("Device/%s has no rows in the table drain-day: %v.", c.drain.ID, err)
			continue
		}
		for _, d := range days {
			if !t.wants(d.patient, d.drain.ID, d.total.Window.Start) {
				continue
			}
			if err := t.day.row(d); err != nil {
				return err
			}
		}
	}
	return nil
}

// wants reports whether a row of the patient and drain at the time is asked
// for. The filters are evaluated as a search for Observations would.
func (t *tabulator) wants(patient, drainID string, at time.Time) bool {
	if t.members != nil && !t.members[patient] || t.job.Request.Level == OfPatients && patient == "" {
		return false
	}
	if t.where == nil {
		return true
	}
	n := fhirjson.Obj("resourceType", "Observation", "effectiveDateTime", fhirdate.Format(at), "device", fhirjson.Obj("reference", "Device/"+drainID))
	if patient != "" {
		n.Set("subject", fhirjson.Obj("reference", "Patient/"+patient))
	}
	d := search.Extract(n, t.Extract)
	return slices.ContainsFunc(t.where, func(q search.Query) bool { return q.Match(d) })
}

// sheet writes the files of one table.
type sheet[R any] struct {
	r     *run
	spec  spec[R]
	out   tableWriter
	file  File
	cells []cell
	spool *spool // where the files are by month
}

// begin opens the next file: of a month, where they are by month.
func (s *sheet[R]) begin(month string) (err error) {
	base := s.spec.name
	if s.byMonth() {
		base += "-" + cmp.Or(month, "none")
	}
	f := s.r.job.Request.Format
	ending := ".csv"
	if f == Parquet {
		ending = ".parquet"
	}
	s.file = File{Role: Output, Type: "Observation", Table: s.spec.name, Month: month, Name: s.r.job.name(base, ending), Term: s.r.job.Fence}
	s.out, err = createTable(s.r.path(s.r.job.ID, s.file), s.spec.table(), f)
	return err
}

func (s *sheet[R]) byMonth() bool { return s.r.job.Request.ByMonth && s.spec.day != nil }

// ensure makes a file with the columns alone when there is no row at all.
func (s *sheet[R]) ensure() error {
	if s.out != nil || s.spool != nil || slices.ContainsFunc(s.r.job.Files, func(f File) bool { return f.Table == s.spec.name }) {
		return nil
	}
	return s.begin("")
}

// held is how many rows the files have that are being written.
func (s *sheet[R]) held() int64 { return s.file.Count }

func (s *sheet[R]) row(row R) (err error) {
	s.cells = s.spec.cells(row, s.cells)
	if s.byMonth() {
		if s.spool == nil {
			if s.spool, err = newSpool(filepath.Join(filepath.Dir(s.r.path(s.r.job.ID, File{Term: s.r.job.Fence})), s.spec.name+".rows")); err != nil {
				return err
			}
		}
		s.file.Count++
		day := s.spec.day(row)
		return s.spool.add(day[:min(len(day), len("2006-01"))], s.cells)
	}
	if s.out == nil {
		if err := s.begin(""); err != nil {
			return err
		}
	}
	return s.write(s.cells)
}

func (s *sheet[R]) write(cells []cell) error {
	s.file.Count++
	return s.out.write(cells)
}

func (s *sheet[R]) close() error {
	if s.spool == nil {
		return s.finish()
	}
	for _, month := range s.spool.months() {
		if err := s.begin(month); err != nil {
			return err
		}
		if err := s.spool.each(month, s.cells, s.write); err != nil {
			return err
		}
		if err := s.finish(); err != nil {
			return err
		}
	}
	err := s.spool.remove()
	s.spool = nil
	return writing(err)
}

func (s *sheet[R]) finish() error {
	if s.out == nil {
		return nil
	}
	out := s.out
	s.out = nil
	size, err := out.finish()
	if err != nil {
		return writing(err)
	}
	s.file.Size = size
	s.r.job.Files = append(s.r.job.Files, s.file)
	s.file.Count = 0
	return nil
}

func (s *sheet[R]) abandon() {
	if s.out != nil {
		s.out.abandon()
		s.out = nil
	}
	if s.spool != nil {
		_ = s.spool.remove() // else with the next start of the job
		s.spool = nil
	}
}
