"""Where a receiver shows each person's newest reading, so that it is taken down there once it is shown elsewhere or not
at all."""

STATEMENTS = (  # as configured when it was shown last
    "ALTER TABLE relay_target ADD COLUMN topic TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE relay_target ADD COLUMN discovery TEXT NOT NULL DEFAULT ''",
)
