"""Two people of a store that turned out to be one."""

STATEMENTS = (
    # The uid of the person that this one is part of: what was theirs is that person's.
    "ALTER TABLE person ADD COLUMN part_of BLOB",
    "CREATE INDEX person_part_of ON person (part_of) WHERE part_of IS NOT NULL",
)
