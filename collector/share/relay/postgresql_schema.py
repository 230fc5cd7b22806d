"""The tables of a PostgreSQL receiver, made from the declaration of a reading. Run again, it changes nothing.

Who may what is decided by roles of the database: a station writes rows of its own and no others, a reader sees the
people that it was granted (PostgreSQL manual, row security policies; views with security_invoker need version 15).
"""

from collector.share.export.column_forms import DERIVED, FORMS, READING
from collector.store.columns import Column, Kind

_LATER = READING[22:]
"""What a reading declares since these tables were made first."""
VERSION = 2 + len(_LATER)
"""Counts up with every change; a station that meets another one says so and waits."""

ZONE = Column("zone", Kind.TEXT, "IANA name of the zone that it was taken in", optional=True)
PERSON_UID = Column("person_uid", Kind.TEXT, "names the person at whatever station, hex", optional=True)
_FIRST: tuple[Column, ...] = (*(one for one in READING[:22] if one.name != "sightings"), *DERIVED)
_SIGHTINGS = next(one for one in READING if one.name == "sightings")
COLUMNS: tuple[Column, ...] = (*_FIRST, _SIGHTINGS, ZONE, PERSON_UID, *_LATER)
"""A view's columns keep their order, so later ones stand behind. That a reading was sent once more is no news:
`sightings` is as it was when the reading was sent on."""
NAMES = ", ".join(one.name for one in COLUMNS)


def _declared(column: Column) -> str:
    return f"    {column.name} {FORMS[column.kind].sql}{'' if column.optional else ' NOT NULL'},"


def _added(column: Column) -> str:
    return f"ALTER TABLE quietcuff.station_reading ADD COLUMN IF NOT EXISTS {column.name} {FORMS[column.kind].sql};"


def _comment(column: Column) -> str:
    about = (column.meaning + (f" ({column.unit})" if column.unit else "")).replace("'", "''")
    return f"COMMENT ON COLUMN quietcuff.station_reading.{column.name} IS '{about}';"


_DECLARED = "\n".join(map(_declared, _FIRST))
_ADDED = "\n".join(map(_added, COLUMNS[len(_FIRST) :]))
_COMMENTS = "\n".join(map(_comment, COLUMNS))

SCHEMA = f"""\
CREATE SCHEMA IF NOT EXISTS quietcuff;
COMMENT ON SCHEMA quietcuff IS 'blood pressure readings, sent by quietcuff stations';

CREATE TABLE IF NOT EXISTS quietcuff.version (version integer PRIMARY KEY, at timestamptz NOT NULL DEFAULT now());
INSERT INTO quietcuff.version (version) VALUES ({VERSION}) ON CONFLICT DO NOTHING;
COMMENT ON TABLE quietcuff.version IS 'which steps of these tables were taken, and when';
COMMENT ON COLUMN quietcuff.version.version IS 'counts up';
COMMENT ON COLUMN quietcuff.version.at IS 'when that step was taken';

CREATE TABLE IF NOT EXISTS quietcuff.station_reading (
    station text NOT NULL,
    sender name NOT NULL DEFAULT current_user,
{_DECLARED}
    PRIMARY KEY (reading_id, station, taken_at)) PARTITION BY RANGE (taken_at);
CREATE TABLE IF NOT EXISTS quietcuff.station_reading_other PARTITION OF quietcuff.station_reading DEFAULT;
{_ADDED}
CREATE INDEX IF NOT EXISTS station_reading_of_uid ON quietcuff.station_reading (person_uid, taken_at);
CREATE INDEX IF NOT EXISTS station_reading_taken ON quietcuff.station_reading (taken_at, reading_id);
DROP INDEX IF EXISTS quietcuff.station_reading_of_person;
COMMENT ON TABLE quietcuff.station_reading IS 'what each station says of each reading; one table a month';
COMMENT ON TABLE quietcuff.station_reading_other IS 'what no month''s table was made for';
COMMENT ON COLUMN quietcuff.station_reading.station IS 'hex name of the station that told';
COMMENT ON COLUMN quietcuff.station_reading.sender IS 'the role that it told it as, the only one that may change it';
{_COMMENTS}

CREATE TABLE IF NOT EXISTS quietcuff.may_read (
    role name NOT NULL, person text, UNIQUE NULLS NOT DISTINCT (role, person));
COMMENT ON TABLE quietcuff.may_read IS 'which role reads what is whose';
COMMENT ON COLUMN quietcuff.may_read.role IS 'a role of this database';
COMMENT ON COLUMN quietcuff.may_read.person IS 'the uid, as in quietcuff.person; NULL: everybody''s';

CREATE TABLE IF NOT EXISTS quietcuff.station_entry (
    station text NOT NULL, sender name NOT NULL DEFAULT current_user, kind text NOT NULL, key text NOT NULL,
    place integer NOT NULL, person_uid text, said jsonb NOT NULL, PRIMARY KEY (station, kind, key));
CREATE INDEX IF NOT EXISTS station_entry_of_person ON quietcuff.station_entry (person_uid, kind);
COMMENT ON TABLE quietcuff.station_entry IS 'what people entered at each station: persons, spans, loans, notes, plans';
COMMENT ON COLUMN quietcuff.station_entry.station IS 'hex name of the station that told';
COMMENT ON COLUMN quietcuff.station_entry.sender IS 'the role that it told it as, the only one that may change it';
COMMENT ON COLUMN quietcuff.station_entry.kind IS 'person, span, loan, note, sitting, cuff, plan …';
COMMENT ON COLUMN quietcuff.station_entry.key IS 'names the entry at whatever station';
COMMENT ON COLUMN quietcuff.station_entry.place IS 'the order of entries within the station';
COMMENT ON COLUMN quietcuff.station_entry.person_uid IS 'whose; NULL: nobody''s';
COMMENT ON COLUMN quietcuff.station_entry.said IS 'what was entered; the latest changed_at (microseconds, 1970) holds';

CREATE TABLE IF NOT EXISTS quietcuff.same_person (uid text PRIMARY KEY, part_of text NOT NULL);
COMMENT ON TABLE quietcuff.same_person IS 'people whom several stations added and who are one; filled by the owner';
COMMENT ON COLUMN quietcuff.same_person.uid IS 'a person';
COMMENT ON COLUMN quietcuff.same_person.part_of IS 'the uid of the person that this one is';

ALTER TABLE quietcuff.station_reading ENABLE ROW LEVEL SECURITY;
DROP POLICY IF EXISTS own ON quietcuff.station_reading;
CREATE POLICY own ON quietcuff.station_reading USING (sender = current_user) WITH CHECK (sender = current_user);
DROP POLICY IF EXISTS granted ON quietcuff.station_reading;
CREATE POLICY granted ON quietcuff.station_reading FOR SELECT USING (EXISTS (
    SELECT FROM quietcuff.may_read WHERE role = current_user
    AND (may_read.person IS NULL OR may_read.person = station_reading.person_uid)));
ALTER TABLE quietcuff.station_entry ENABLE ROW LEVEL SECURITY;
DROP POLICY IF EXISTS own ON quietcuff.station_entry;
CREATE POLICY own ON quietcuff.station_entry USING (sender = current_user) WITH CHECK (sender = current_user);
DROP POLICY IF EXISTS granted ON quietcuff.station_entry;
CREATE POLICY granted ON quietcuff.station_entry FOR SELECT USING (EXISTS (
    SELECT FROM quietcuff.may_read WHERE role = current_user AND (station_entry.person_uid IS NULL
    OR may_read.person IS NULL OR may_read.person = station_entry.person_uid)));

CREATE OR REPLACE VIEW quietcuff.reading WITH (security_invoker = true) AS
    SELECT station, {NAMES} FROM quietcuff.station_reading AS one
    WHERE NOT EXISTS (
        SELECT FROM quietcuff.station_reading AS surer WHERE surer.reading_id = one.reading_id
        AND (one.cuff <> 'hand' OR coalesce(lower(one.person) = lower(surer.person), true) OR EXISTS (
            SELECT FROM quietcuff.same_person WHERE (uid, part_of) IN (
                (one.person_uid, surer.person_uid), (surer.person_uid, one.person_uid))))
        AND (coalesce(surer.taken_uncertainty_s, 'Infinity'), surer.station)
            < (coalesce(one.taken_uncertainty_s, 'Infinity'), one.station));
COMMENT ON VIEW quietcuff.reading IS 'each reading once: of several stations'' versions the one of the surest time';

CREATE OR REPLACE VIEW quietcuff.person WITH (security_invoker = true) AS
    SELECT DISTINCT key AS uid, said ->> 'name' AS name FROM quietcuff.station_entry
    WHERE kind = 'person' AND said ->> 'gone' = '0';
COMMENT ON VIEW quietcuff.person IS 'everybody, by what they are called at the stations';

CREATE OR REPLACE FUNCTION quietcuff.make_months(first date, months integer) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog SET timezone = 'UTC' AS $$
DECLARE month date;
BEGIN
    FOR ahead IN 0 .. least(months, 24) - 1 LOOP
        month := date_trunc('month', first) + make_interval(months => ahead);
        IF month < '1970-01-01' OR month > '2199-12-01'
            OR to_regclass(format('quietcuff.station_reading_%s', to_char(month, 'YYYY_MM'))) IS NOT NULL THEN
            CONTINUE;
        END IF;
        PERFORM pg_advisory_xact_lock(1903388006);  -- one at a time, whoever asks
        BEGIN
            EXECUTE format('CREATE TABLE IF NOT EXISTS quietcuff.station_reading_%s PARTITION OF '
                'quietcuff.station_reading FOR VALUES FROM (%L) TO (%L)', to_char(month, 'YYYY_MM'),
                to_char(month, 'YYYY-MM-DD" 00:00+00"'), to_char(month + interval '1 month', 'YYYY-MM-DD" 00:00+00"'));
        EXCEPTION WHEN check_violation THEN NULL;  -- some of it is in station_reading_other already, and stays there
        END;
    END LOOP;
END $$;
COMMENT ON FUNCTION quietcuff.make_months IS 'the tables of so many months, for whoever may not make tables';
REVOKE ALL ON FUNCTION quietcuff.make_months FROM PUBLIC;
"""

MERGE = f"""
INSERT INTO quietcuff.station_reading (station, {NAMES})
VALUES (%s, {", ".join(["%s"] * len(COLUMNS))})
ON CONFLICT (reading_id, station, taken_at) DO UPDATE SET
{", ".join(f"{one.name} = excluded.{one.name}" for one in COLUMNS if one.name not in ("reading_id", "taken_at"))}
"""
TAKE_BACK = """
DELETE FROM quietcuff.station_reading WHERE station = %s AND reading_id = ANY(%s)
"""
ENTER = """
WITH told AS (
    SELECT * FROM jsonb_to_recordset(%(told)s) AS t (kind text, key text, place integer, person_uid text, said jsonb)),
gone AS (
    DELETE FROM quietcuff.station_entry AS there WHERE station = %(station)s
    AND NOT EXISTS (SELECT FROM told WHERE told.kind = there.kind AND told.key = there.key))
INSERT INTO quietcuff.station_entry (station, kind, key, place, person_uid, said)
SELECT %(station)s, kind, key, place, person_uid, said FROM told
ON CONFLICT (station, kind, key) DO UPDATE
SET place = excluded.place, person_uid = excluded.person_uid, said = excluded.said
WHERE (station_entry.place, station_entry.person_uid, station_entry.said)
    IS DISTINCT FROM (excluded.place, excluded.person_uid, excluded.said)
"""
"""What the station's entries are now; what it no longer has goes."""
