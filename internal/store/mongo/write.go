package mongo

import (
	"context"
	"errors"
	"sync"
	"time"

	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
	"go.mongodb.org/mongo-driver/v2/mongo/readconcern"
	"go.mongodb.org/mongo-driver/v2/mongo/writeconcern"
)

// Limits of what is written together, so that a transaction ends in time.
const (
	groupDocuments = 500
	groupBytes     = 4 << 20
)

// maxConflicts is how often a transaction of several plans is begun again after
// a write conflict before each is made alone.
const maxConflicts = 3

// writeAll writes plans together that are ready at the same time. Of several
// that write the same version one can; the others begin again.
func (s *Store) writeAll(ps []*plan) {
	taken := map[string]bool{}
	var group []*plan
	docs, size := 0, 0
	flush := func() {
		if s.transactions {
			s.transactAll(group)
		} else {
			s.insertAll(group)
		}
		group, docs, size = nil, 0, 0
	}
	for _, p := range ps {
		clash, bytes := false, 0
		for _, d := range p.docs {
			clash, bytes = clash || taken[d.ID], bytes+len(d.Body)
		}
		if clash {
			p.err = errAgain
			continue
		}
		for _, d := range p.docs {
			taken[d.ID] = true
		}
		if len(group) > 0 && (docs+len(p.docs) > groupDocuments || size+bytes > groupBytes) {
			flush()
		}
		group, docs, size = append(group, p), docs+len(p.docs), size+bytes
	}
	if len(group) > 0 {
		flush()
	}
}

// transactAll makes plans in one transaction: versions, audit records and the
// marks on what they take the place of. The plan that clashes begins again, the
// others go on without it.
func (s *Store) transactAll(ps []*plan) {
	for len(ps) > 0 {
		clash, err := s.transact(ps)
		switch {
		case clash != nil:
			clash.err = errAgain
			rest := ps[:0:0]
			for _, p := range ps {
				if p != clash {
					rest = append(rest, p)
				}
			}
			ps = rest
			continue
		case errors.Is(err, errAgain) && len(ps) > 1: // which of them others get in the way of is not told
			for _, p := range ps {
				s.transactAll([]*plan{p})
			}
			return
		}
		for _, p := range ps {
			p.err = err
		}
		return
	}
}

// transact makes one transaction. clash is the plan that another writer was
// faster than; errAgain stands for one that nobody can name.
func (s *Store) transact(ps []*plan) (clash *plan, err error) {
	ctx, cancel := s.decisive(context.Background())
	defer cancel()
	sess, err := s.client.StartSession()
	if err != nil {
		return nil, err
	}
	defer sess.EndSession(ctx)
	var records []record
	for _, p := range ps {
		records = append(records, p.records...)
	}
	asked, tries := false, 0 // asked: the server was asked to commit
	_, err = sess.WithTransaction(ctx, func(tx context.Context) (any, error) {
		asked = false
		if tries++; tries > maxConflicts {
			return nil, errAgain
		}
		if docs := documents(ps...); len(docs) > 0 {
			if _, err := s.db.Collection(versions).InsertMany(tx, docs); err != nil {
				if places, ok := duplicates(err); ok {
					clash = owner(ps, places[0])
					return nil, errAgain
				}
				return nil, err
			}
		}
		if err := s.markBefore(tx, ps); err != nil {
			return nil, err
		}
		if e := ps[0].erase; e != nil {
			if err := s.erase(tx, e); err != nil {
				return nil, err
			}
		}
		err := s.insertRecords(tx, records)
		if asked = err == nil; asked {
			for _, p := range ps {
				p.sent = time.Now()
			}
		}
		return nil, err
	}, options.Transaction().SetReadConcern(readconcern.Local()).SetWriteConcern(writeconcern.Majority()))
	if clash != nil {
		return clash, errAgain
	}
	if err != nil && asked && conflicted(err) {
		return nil, errAgain // the commit was refused
	}
	if err != nil && asked && len(ps[0].docs) == 0 {
		return nil, inDoubt(err) // an erasure alone, which can be made again
	}
	if err != nil && asked {
		// All are there or none: the look at one plan tells. The error is that of
		// the last attempt to commit, and says nothing of those before.
		s.look(err, ps[0])
		if err = ps[0].err; err != nil {
			return nil, err
		}
	}
	if err != nil {
		if conflicted(err) {
			err = errAgain
		}
		return nil, err
	}
	for _, p := range ps {
		p.made, p.decided = len(p.docs), true
		s.settle(ctx, p)
	}
	return nil, nil
}

// conflicted reports whether a transaction that surely wrote nothing can be made again.
func conflicted(err error) bool {
	var labelled mongo.LabeledError
	return errors.As(err, &labelled) && labelled.HasErrorLabel("TransientTransactionError") && !away(err)
}

// owner is the plan that a place in documents(ps...) belongs to.
func owner(ps []*plan, place int) *plan {
	for _, p := range ps {
		if place -= len(p.docs); place < 0 {
			return p
		}
	}
	return nil
}

// insertAll writes plans of one document each without a transaction: the
// versions, then the audit records of those that were written.
func (s *Store) insertAll(ps []*plan) {
	ctx, cancel := s.decisive(context.Background())
	defer cancel()
	for _, p := range ps {
		p.sent = time.Now()
	}
	_, err := s.db.Collection(versions).InsertMany(ctx, documents(ps...), options.InsertMany().SetOrdered(false))
	if places, clash := duplicates(err); clash {
		for _, i := range places {
			ps[i].err = errAgain
		}
	} else if refused(err) {
		for _, p := range ps {
			p.sent, p.err = time.Time{}, err
		}
	} else if err != nil {
		s.look(err, ps...)
	}
	var made []*plan
	var records []record
	for _, p := range ps {
		if p.err == nil {
			p.made, p.decided = 1, true
			made, records = append(made, p), append(records, p.records...)
			s.settle(ctx, p)
		}
	}
	if len(made) == 0 {
		return
	}
	var marked sync.WaitGroup
	marked.Go(func() { s.supersede(ctx, made...) })
	if err := s.insertRecords(ctx, records); err != nil {
		for _, p := range made {
			if len(p.records) > 0 {
				s.recordLater(p, err)
			}
		}
	}
	marked.Wait()
}
