"""The tables of a PostgreSQL receiver, made from the declaration of a reading. Run again, it changes nothing.

Who may what is decided by roles of the database: a station writes rows of its own and no others, a reader sees the
people that it was granted (PostgreSQL manual, row security policies; views with security_invoker need version 15).
"""

from collector.share.export.column_forms import DERIVED, FORMS, READING
from collector.store.columns import Column

VERSION = 1
"""Counts up with every change; a station that meets another one says so and waits."""

COLUMNS: tuple[Column, ...] = (*(one for one in READING if one.name != "sightings"), *DERIVED)
"""How often a reading was sent is no news and is not told."""
NAMES = ", ".join(one.name for one in COLUMNS)


def _declared(column: Column) -> str:
    return f"    {column.name} {FORMS[column.kind].sql}{'' if column.optional else ' NOT NULL'},"


def _comment(column: Column) -> str:
    about = (column.meaning + (f" ({column.unit})" if column.unit else "")).replace("'", "''")
    return f"COMMENT ON COLUMN quietcuff.station_reading.{column.name} IS '{about}';"


_DECLARED = "\n".join(map(_declared, COLUMNS))
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
CREATE INDEX IF NOT EXISTS station_reading_of_person ON quietcuff.station_reading (person, taken_at);
COMMENT ON TABLE quietcuff.station_reading IS 'what each station says of each reading; one table a month';
COMMENT ON TABLE quietcuff.station_reading_other IS 'what no month''s table was made for';
COMMENT ON COLUMN quietcuff.station_reading.station IS 'hex name of the station that told';
COMMENT ON COLUMN quietcuff.station_reading.sender IS 'the role that it told it as, the only one that may change it';
{_COMMENTS}

CREATE TABLE IF NOT EXISTS quietcuff.may_read (
    role name NOT NULL, person text, UNIQUE NULLS NOT DISTINCT (role, person));
COMMENT ON TABLE quietcuff.may_read IS 'which role reads whose readings';
COMMENT ON COLUMN quietcuff.may_read.role IS 'a role of this database';
COMMENT ON COLUMN quietcuff.may_read.person IS 'NULL: everybody''s';

ALTER TABLE quietcuff.station_reading ENABLE ROW LEVEL SECURITY;
DROP POLICY IF EXISTS own ON quietcuff.station_reading;
CREATE POLICY own ON quietcuff.station_reading USING (sender = current_user) WITH CHECK (sender = current_user);
DROP POLICY IF EXISTS granted ON quietcuff.station_reading;
CREATE POLICY granted ON quietcuff.station_reading FOR SELECT USING (EXISTS (
    SELECT FROM quietcuff.may_read WHERE role = current_user
    AND (may_read.person IS NULL OR may_read.person = station_reading.person)));

CREATE OR REPLACE VIEW quietcuff.reading WITH (security_invoker = true) AS
    SELECT station, {NAMES} FROM quietcuff.station_reading AS one
    WHERE NOT EXISTS (
        SELECT FROM quietcuff.station_reading AS surer WHERE surer.reading_id = one.reading_id
        AND (coalesce(surer.taken_uncertainty_s, 'Infinity'), surer.station)
            < (coalesce(one.taken_uncertainty_s, 'Infinity'), one.station));
COMMENT ON VIEW quietcuff.reading IS 'each reading once: of several stations'' versions the one of the surest time';

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
