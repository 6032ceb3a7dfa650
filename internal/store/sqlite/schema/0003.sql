-- Whether a stay has ended, and when; what kind of place a Location is; planned
-- walks; the drains that are in place. Each statement can be taken twice.
DROP INDEX IF EXISTS stay_patient;
DROP INDEX IF EXISTS stay_place;
ALTER TABLE stay RENAME TO stay_before;
CREATE TABLE stay (
	id TEXT PRIMARY KEY, patient TEXT NOT NULL, open INTEGER NOT NULL, places TEXT NOT NULL,
	place TEXT NOT NULL, -- the current one of places
	start INTEGER, finished INTEGER NOT NULL, end INTEGER
) STRICT, WITHOUT ROWID;
INSERT INTO stay SELECT s.id, s.patient, s.open, s.places, s.place, s.start,
	json_extract(CAST(v.body AS TEXT), '$.status') = 'finished',
	CAST(unixepoch(json_extract(CAST(v.body AS TEXT), '$.period.end')) AS INTEGER) * 1000000
	FROM stay_before s JOIN resource r ON r.type = 'Encounter' AND r.id = s.id JOIN version v ON v.seq = r.seq;
DROP TABLE stay_before;
CREATE INDEX stay_patient ON stay (patient, start DESC, id);
CREATE INDEX stay_place ON stay (place, patient) WHERE open = 1;
DROP INDEX IF EXISTS place_part;
ALTER TABLE place RENAME TO place_before;
CREATE TABLE place (
	id TEXT PRIMARY KEY, name TEXT NOT NULL, part_of TEXT NOT NULL,
	kind TEXT NOT NULL -- code of Location.physicalType
) STRICT, WITHOUT ROWID;
INSERT INTO place SELECT p.id, p.name, p.part_of, coalesce(json_extract(CAST(v.body AS TEXT), '$.physicalType.coding[0].code'), '')
	FROM place_before p JOIN resource r ON r.type = 'Location' AND r.id = p.id JOIN version v ON v.seq = r.seq;
DROP TABLE place_before;
CREATE INDEX place_part ON place (part_of);
DROP TABLE IF EXISTS walk;
CREATE TABLE walk (
	id TEXT PRIMARY KEY, patient TEXT NOT NULL, start INTEGER, end INTEGER, open INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX walk_patient ON walk (patient, start, id) WHERE open = 1;
DROP INDEX IF EXISTS placement_open;
CREATE INDEX placement_open ON placement (id) WHERE end IS NULL;
