-- What is wrong with a drain in one respect is one concern with evidence by rule,
-- where each rule had a finding of its own: concern.go fills the new table from the
-- old one.
CREATE TABLE concern (
	id TEXT PRIMARY KEY, version INTEGER NOT NULL, drain TEXT NOT NULL, patient TEXT NOT NULL, kind TEXT NOT NULL,
	severity TEXT NOT NULL, since INTEGER, until INTEGER,
	life TEXT NOT NULL -- the rest, as JSON
) STRICT, WITHOUT ROWID;
CREATE INDEX concern_drain ON concern (drain, since DESC, id);
CREATE INDEX concern_open ON concern (id) WHERE until IS NULL;
CREATE INDEX concern_drain_open ON concern (drain) WHERE until IS NULL;
CREATE INDEX concern_drain_ended ON concern (drain, until) WHERE until IS NOT NULL;
