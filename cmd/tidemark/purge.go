package main

import (
	"context"
	"fmt"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"tidemark/api"
	"tidemark/internal/bulk"
	"tidemark/internal/policy"
	"tidemark/internal/store"
	"tidemark/internal/ward"
)

type purgeCmd struct {
	place
	OlderThan age  `name:"older-than" required:"" help:"How long ago a record must have ended, in years, days or hours: 10y, 90d, 36h." placeholder:"AGE"`
	DryRun    bool `name:"dry-run" help:"Count what would be erased, and erase nothing."`
}

// Help is shown below the flags.
func (purgeCmd) Help() string {
	return `Three things are erased when they were over before AGE ago: the record of a patient of whom nothing was written, charted or planned since, who has no drain in place and no open Encounter; a resource that was deleted; a version that was replaced by another. ` +
		`Version numbers and places in the change feed stay, and an AuditEvent says by whom. Exports that the service keeps are removed. Backups hold what they held until they are removed too. ` +
		`The service has to be stopped while it works on an embedded store, not so with MongoDB. It cannot be undone; --dry-run counts first.`
}

// age is a duration that may be in years of 365.25 days, or in days.
type age time.Duration

// UnmarshalText implements encoding.TextUnmarshaler.
func (a *age) UnmarshalText(text []byte) error {
	s := string(text)
	for unit, length := range map[string]time.Duration{"y": 8766 * time.Hour, "d": 24 * time.Hour} {
		if digits, ok := strings.CutSuffix(s, unit); ok {
			n, err := strconv.ParseUint(digits, 10, 16)
			if err == nil && n > 0 && n <= 200*366 {
				*a = age(time.Duration(n) * length)
				return nil
			}
		}
	}
	if d, err := time.ParseDuration(s); err == nil && d >= time.Hour {
		*a = age(d)
		return nil
	}
	return fmt.Errorf("--older-than takes years, days or hours, such as 10y, 90d or 36h, not %q", s)
}

func (c *purgeCmd) Run(e *env) error {
	ctx := context.Background()
	now := time.Now().UTC()
	o, err := c.open(ctx, e, time.Now)
	if err != nil {
		return err
	}
	core := ward.New(o.store, ward.Options{Policy: func() *policy.Policy { return o.policy }, Extract: o.extract, Clock: time.Now, Logger: e.log})
	by := "the command tidemark purge"
	if u, err := user.Current(); err == nil {
		by = u.Username + ", by " + by
	}
	bar := progress(e, -1, "purging", counting()...)
	done, err := core.PurgeOld(ctx, ward.Old{
		Before: now.Add(-time.Duration(c.OlderThan)), Types: api.ExportTypes(), Dry: c.DryRun,
		Each: func(a ward.Aged) { _ = bar.Set(a.Versions) }, // a bar that cannot be drawn is no failure
		Audit: func() []store.AuditRecord {
			return []store.AuditRecord{{ID: ward.NewID(), At: time.Now(), Action: "D", Interaction: "operation", Outcome: "0", Agent: by,
				Query: "purge --older-than " + time.Duration(c.OlderThan).String()}}
		},
	})
	_ = bar.Finish()
	verb := "erased"
	if c.DryRun {
		verb = "would be erased"
	} else if err == nil && done.Versions > 0 {
		_, err = bulk.New(bulk.Options{Store: o.store, Dir: filepath.Join(c.Data, "bulk"), Clock: time.Now, Logger: e.log}).EndAll(ctx)
	}
	if cerr := o.store.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(e.out, "%s: the records of %d patients, %d resources, %d versions\n", verb, done.Patients, done.Resources, done.Versions)
	return err
}
