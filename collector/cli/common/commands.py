"""Every command by name, with its line of the overview; the module of one is loaded only when it is asked for.

To add a command: write `collector/cli/NAME.py` with `app` (see `collector.cli.common.command`) and add a line here. One
function under `@app.command()` makes a verb (`quietcuff readings`); several make a group (`quietcuff cuff list`).
"""

OVERVIEW: dict[str, dict[str, str]] = {
    "Every day": {
        "readings": "Show readings.",
        "average": "The average by a protocol: the number a physician decides on.",
        "change": "Compare before and after a change of regimen.",
        "trend": "How values moved over weeks and months.",
        "report": "Write the page for the chart, as PDF or HTML.",
        "sit": "Be guided through a sitting, with readings arriving live.",
        "note": "Note what happened on a day, such as a change of regimen.",
        "office": "Keep what was measured in the office, to set home against it.",
        "strike": "Have a reading count no longer.",
        "correct": "Put a reading right that was read or written wrongly.",
    },
    "Set up": {
        "demo": "Try everything with two virtual cuffs and an invented household.",
        "setup": "Say what only you know here, and start with it.",
        "listen": "Collect from every cuff in reach, until stopped.",
        "check": "Find what is wrong here, and how to mend it.",
        "cuff": "List, name, add or forget cuffs.",
        "person": "Say who is measured, and which slots and readings are whose.",
        "page": "The station's web page, and which devices may see it.",
        "protocols": "Show the published protocols that averages follow.",
    },
    "Data in and out": {
        "import": "Take a hand-written log into the store.",
        "export": "Write readings for other programs: CSV, FHIR and more.",
        "relay": "Send readings on to a FHIR server, PostgreSQL or MQTT.",
    },
    "Clinic": {"loan": "Lend cuffs out, and take them back with nothing left in them."},
    "Upkeep": {
        "backup": "Back up the store, list backups, put one back.",
        "merge": "Bring another station's store in, each payload once.",
        "rebuild": "Derive all readings again from the journal.",
        "retention": "Take away old payloads that no reading rests on.",
        "decode": "Put a cuff's payload into words.",
        "store": "Look into the store by SQL.",
    },
}
COMMANDS: dict[str, tuple[str, str]] = {
    name: (f"collector.cli.{'import_log' if name == 'import' else name}", line)  # `import` is no name for a module
    for lines in OVERVIEW.values()
    for name, line in lines.items()
}
"""Module and line, by name."""
