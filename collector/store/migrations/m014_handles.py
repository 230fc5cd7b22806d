"""Where in the cuff a payload came from: a value that arrives before discovery means something only later."""

STATEMENTS = (
    # characteristic is 0 where nobody knew yet what stands at the handle. NULL: the radio did not tell.
    "ALTER TABLE payload ADD COLUMN handle INTEGER",
    "CREATE INDEX payload_unplaced ON payload (cuff_id, arrived_at) WHERE characteristic = 0",
)
