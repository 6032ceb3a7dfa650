-- Everything that a query orders or selects by stands in an index; plans_test.go
-- checks it. Times are microseconds since 1970 (at: milliseconds), dates of
-- searches too. Text compares by bytes.

-- The current state of each resource. rid is the seq of its first version, so
-- that "existed when the feed stood at n" is rid <= n.
CREATE TABLE resource (
	rid      INTEGER PRIMARY KEY,
	type     TEXT NOT NULL,
	id       TEXT NOT NULL,
	number   INTEGER NOT NULL,
	seq      INTEGER NOT NULL, -- current version
	at       INTEGER NOT NULL,
	deleted  INTEGER NOT NULL,
	date     INTEGER NOT NULL, -- under which its keys stand in key_idx
	date_end INTEGER NOT NULL,
	fact     INTEGER NOT NULL, -- which projection it has, 0 for none
	fact_key TEXT NOT NULL,    -- drain and time of an entry, the key of its row
	fact_at  INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX resource_id ON resource (type, id);
CREATE INDEX resource_at ON resource (type, at, rid) WHERE deleted = 0;

-- Every version: history and change feed in one row.
CREATE TABLE version (
	seq    INTEGER PRIMARY KEY,
	rid    INTEGER NOT NULL,
	number INTEGER NOT NULL,
	type   TEXT NOT NULL,
	at     INTEGER NOT NULL,
	method TEXT NOT NULL,
	meta   INTEGER NOT NULL,
	body   BLOB -- NULL for a deletion
) STRICT;
CREATE UNIQUE INDEX version_number ON version (rid, number);
CREATE INDEX version_type ON version (type);
CREATE INDEX version_change ON version (seq, rid) WHERE number > 1;

-- What searches walk: equality keys of current resources with their primary date.
CREATE TABLE key_idx (
	key  INTEGER NOT NULL,
	date INTEGER NOT NULL,
	rid  INTEGER NOT NULL,
	PRIMARY KEY (key, date, rid)
) STRICT, WITHOUT ROWID;
-- Keys that a resource had in an earlier version: the history of a compartment.
CREATE TABLE past_key (
	key INTEGER NOT NULL,
	rid INTEGER NOT NULL,
	PRIMARY KEY (key, rid)
) STRICT, WITHOUT ROWID;
CREATE TABLE num_idx (
	param INTEGER NOT NULL,
	value REAL NOT NULL,
	rid   INTEGER NOT NULL,
	PRIMARY KEY (param, value, rid)
) STRICT, WITHOUT ROWID;
CREATE TABLE str_idx (
	param INTEGER NOT NULL,
	text  BLOB NOT NULL,
	rid   INTEGER NOT NULL,
	PRIMARY KEY (param, text, rid)
) STRICT, WITHOUT ROWID;
-- The longest stretch between date and its end, where longer than a minute.
CREATE TABLE span (
	type   TEXT PRIMARY KEY,
	micros INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE claim (
	type  TEXT NOT NULL,
	value TEXT NOT NULL,
	rid   INTEGER NOT NULL,
	PRIMARY KEY (type, value)
) STRICT, WITHOUT ROWID;
CREATE INDEX claim_rid ON claim (rid);

-- Typed projections.
CREATE TABLE drain (
	id TEXT PRIMARY KEY, patient TEXT NOT NULL, ward TEXT NOT NULL, label TEXT NOT NULL, type TEXT NOT NULL,
	capacity TEXT NOT NULL, compartment TEXT NOT NULL, active INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX drain_patient ON drain (patient);
CREATE INDEX drain_ward ON drain (ward);
CREATE INDEX drain_active ON drain (id) WHERE active = 1;
CREATE TABLE placement (
	id TEXT PRIMARY KEY, drain TEXT NOT NULL, patient TEXT NOT NULL, status TEXT NOT NULL,
	start INTEGER, end INTEGER, site TEXT NOT NULL, side TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX placement_drain ON placement (drain, start);
CREATE INDEX placement_patient ON placement (patient, drain);
CREATE TABLE entry (
	drain TEXT NOT NULL, at INTEGER NOT NULL, id TEXT NOT NULL,
	patient TEXT NOT NULL, version INTEGER NOT NULL, kind TEXT NOT NULL, status TEXT NOT NULL,
	measured TEXT, absent TEXT NOT NULL, instilled TEXT NOT NULL, estimated INTEGER NOT NULL, vessel TEXT NOT NULL,
	appearance TEXT NOT NULL, colour TEXT NOT NULL, suction TEXT NOT NULL, patency TEXT NOT NULL, fill TEXT,
	signs TEXT NOT NULL, assessed INTEGER NOT NULL, dislodged INTEGER NOT NULL,
	route TEXT NOT NULL, route_text TEXT NOT NULL, kilograms TEXT NOT NULL, done_by TEXT NOT NULL,
	PRIMARY KEY (drain, at, id)
) STRICT, WITHOUT ROWID;
CREATE INDEX entry_patient ON entry (patient, at, id);
CREATE TABLE finding (
	id TEXT PRIMARY KEY, version INTEGER NOT NULL, drain TEXT NOT NULL, patient TEXT NOT NULL, rule TEXT NOT NULL,
	severity TEXT NOT NULL, since INTEGER, until INTEGER, withdrawn INTEGER NOT NULL, acknowledged INTEGER,
	announced INTEGER, evidence TEXT NOT NULL, text TEXT NOT NULL, policy TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX finding_drain ON finding (drain, since DESC, id);
CREATE INDEX finding_open ON finding (id) WHERE until IS NULL;
CREATE INDEX finding_drain_open ON finding (drain, since DESC, id) WHERE until IS NULL;
CREATE TABLE stay (
	id TEXT PRIMARY KEY, patient TEXT NOT NULL, open INTEGER NOT NULL, places TEXT NOT NULL,
	place TEXT NOT NULL, -- the current one of places
	start INTEGER
) STRICT, WITHOUT ROWID;
CREATE INDEX stay_patient ON stay (patient, start DESC, id);
CREATE INDEX stay_place ON stay (place, patient) WHERE open = 1;
CREATE TABLE place (
	id TEXT PRIMARY KEY, name TEXT NOT NULL, part_of TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX place_part ON place (part_of);

-- Audit. seq is the time in microseconds times 4096 plus a counter, so that
-- every index on it is in the order of time.
CREATE TABLE audit (
	seq INTEGER PRIMARY KEY, id TEXT NOT NULL, at INTEGER NOT NULL, action TEXT NOT NULL, interaction TEXT NOT NULL,
	outcome TEXT NOT NULL, agent TEXT NOT NULL, client TEXT NOT NULL, address TEXT NOT NULL, entity TEXT NOT NULL,
	query TEXT NOT NULL, patient TEXT NOT NULL, detail TEXT NOT NULL, request TEXT NOT NULL
) STRICT;
CREATE INDEX audit_id ON audit (id);
CREATE INDEX audit_agent ON audit (agent) WHERE agent <> '';
CREATE INDEX audit_patient ON audit (patient) WHERE patient <> '';
CREATE INDEX audit_entity ON audit (entity) WHERE entity <> '';
CREATE INDEX audit_outcome ON audit (outcome) WHERE outcome <> '0';
CREATE INDEX audit_interaction ON audit (interaction);
CREATE INDEX audit_action ON audit (action);

CREATE TABLE state (
	name  TEXT PRIMARY KEY,
	value BLOB NOT NULL,
	rev   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
-- One growing number for all revisions: a name that was deleted and written
-- again never gets back a revision it had.
CREATE TABLE revision (one INTEGER PRIMARY KEY CHECK (one = 1), last INTEGER NOT NULL) STRICT;
INSERT INTO revision VALUES (1, 0);
