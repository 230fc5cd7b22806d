"""What people entered goes to a receiver that keeps it, whenever it differs from what was sent last."""

STATEMENTS = ("ALTER TABLE relay_target ADD COLUMN entered BLOB",)  # digest of the entries as they were sent
