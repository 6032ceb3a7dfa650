-- An entry's charted values stand in one column: see entry.go, which fills the
-- new table from the old one. Search parameters were added too, for which no
-- table changes: search.Changed says what is indexed anew.
DROP INDEX entry_patient;
ALTER TABLE entry RENAME TO entry_1;
CREATE TABLE entry (
	drain TEXT NOT NULL, at INTEGER NOT NULL, id TEXT NOT NULL, patient TEXT NOT NULL, version INTEGER NOT NULL,
	chart BLOB NOT NULL,
	PRIMARY KEY (drain, at, id)
) STRICT, WITHOUT ROWID;
-- Of a ward only the drains in use are asked for, however many there were.
DROP INDEX drain_ward;
CREATE INDEX drain_ward ON drain (ward) WHERE active = 1;
CREATE INDEX entry_patient ON entry (patient, at, id);
