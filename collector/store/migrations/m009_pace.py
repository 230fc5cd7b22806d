"""How much a receiver takes at once and how long it is given. Who is sending is a lock of the kernel's now, no row."""

STATEMENTS = (
    "ALTER TABLE relay_target DROP COLUMN lease",
    "ALTER TABLE relay_target DROP COLUMN lease_until",
    "ALTER TABLE relay_target ADD COLUMN batch INTEGER",
    "ALTER TABLE relay_target ADD COLUMN timeout_s REAL",
)
