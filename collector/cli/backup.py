"""`quietcuff backup …`: copies of the store, and the way back."""

from datetime import tzinfo
from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from collector.cli.common.command import ATTENTION, DONE, GlobalOptions, Usage, new_app, options_of, out, progress, say
from collector.cli.common.dates import minute
from collector.cli.common.output import out_json, out_table
from collector.service.config.settings import key_problem
from collector.service.jobs import backups, restoring
from collector.service.jobs.backups import Backup, Contents, folder_of, look_into
from collector.service.jobs.restoring import Restoring
from collector.share.text.layout import counted
from collector.store.errors import StoreError

app = new_app("""Back up the store, list the backups, put one back.

    The service makes a backup every day by itself ([backup] in the configuration).

    \b
    Examples:
      quietcuff backup now
      quietcuff backup list
      quietcuff backup restore last --dry-run
    """)

FolderOption = Annotated[
    Path | None,
    typer.Option(
        "--folder", metavar="FOLDER", help="Where the backups are, else as configured, else beside the store."
    ),
]


def _folder(options: GlobalOptions, chosen: Path | None) -> Path:
    return folder_of(options.store_path, chosen or options.config.backup.folder)


@app.command("now")
def back_up(
    ctx: typer.Context,
    folder: FolderOption = None,
    encrypt_to: Annotated[
        str | None, typer.Option("--encrypt-to", metavar="KEY", help="Seal to this public key (age or SSH).")
    ] = None,
) -> None:
    """Back up the store now, while the service goes on.

    The copy is opened and looked through before it counts; older ones beyond `keep` then go.

    \b
    Examples:
      quietcuff backup now
      quietcuff backup now --folder /media/stick/quietcuff
    """
    options = options_of(ctx)
    config = options.config.backup
    if encrypt_to is not None and (problem := key_problem(encrypt_to)):
        raise Usage(f"--encrypt-to: {problem}")
    with progress("backing up, pages") as show:
        made = backups.take(
            options.store_path,
            _folder(options, folder),
            config.keep,
            encrypt_to or config.encrypt_to or None,
            progress=show,
        )
    out(str(made.path))
    say(f"{made.size / 1e6:.1f} MB, verified{' and sealed' if made.sealed else ''}")


@app.command("list")
def list_backups(
    ctx: typer.Context,
    folder: FolderOption = None,
    verify: Annotated[bool, typer.Option("--verify", help="Open each and look through it.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a backup.")] = False,
) -> int:
    """List the backups, oldest first.

    \b
    Examples:
      quietcuff backup list
      quietcuff backup list --verify --json
    """
    options = options_of(ctx)
    where = _folder(options, folder)
    found = backups.every(where, options.store_path)
    if not found:
        say(f"no backup in {where}; `quietcuff backup now` makes one")
        return DONE
    states = [_state(backup) if verify else None for backup in found]
    if as_json:
        for backup, state in zip(found, states, strict=True):
            out_json(
                {
                    "file": str(backup.path),
                    "made_at": backup.made_at,
                    "bytes": backup.size,
                    "sealed": backup.sealed,
                    "state": state,
                }
            )
    else:
        rows = [
            (
                backup.path.name,
                minute(backup.made_at, options.zone),
                f"{backup.size / 1e6:.1f}",
                state or ("sealed" if backup.sealed else ""),
            )
            for backup, state in zip(found, states, strict=True)
        ]
        out_table(rows, ("backup", "made", "MB", "remarks"), frozenset({2}))
    return ATTENTION if any(state not in (None, "sound", "sealed") for state in states) else DONE


def _state(backup: Backup) -> str:
    if backup.sealed:
        return "sealed"
    try:
        look_into(backup.path)
    except StoreError as error:
        return str(error)
    return "sound"


@app.command("restore")
def restore(
    ctx: typer.Context,
    which: Annotated[str, typer.Argument(metavar="BACKUP", help="A name from `backup list`, a file, or 'last'.")],
    folder: FolderOption = None,
    identity: Annotated[
        Path | None, typer.Option("--identity", metavar="KEYFILE", help="The private key, for a sealed backup.")
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Look at everything, change nothing.")] = False,
) -> None:
    """Put a backup in the store's place; what stands there now is kept under another name.

    Stop the service first. The backup is looked through before anything moves.

    \b
    Examples:
      quietcuff backup restore last --dry-run
      quietcuff backup restore quietcuff-20310304-031500.db.age --identity key.txt
    """
    options = options_of(ctx)
    backup = backups.find(which, _folder(options, folder), options.store_path)
    done = restoring.restore(options.store_path, backup, identity, dry_run=dry_run)
    say(f"the backup holds {_words(done.contents, options.zone)}")
    if done.present is not None:
        say(f"the present store holds {_words(done.present, options.zone)}")
    elif done.kept:
        say("the present store cannot be read, or is damaged")
    if dry_run:
        say(f"it would go to {options.store_path}" + (f"; what is there now to {done.kept}" if done.kept else ""))
        if lacks := _lacks(done):
            say(f"the backup lacks {lacks}")
        return
    out(str(options.store_path))
    if done.erased:
        say(f"{counted(done.erased, 'payload')} of the backup, erased here since, left out")
    if done.kept:
        say(f"what stood there is kept: {done.kept}")
    if done.kept and done.present is None:
        say("who was erased since the backup was made may be in it: erase them again")
    if lacks := _lacks(done):
        say(f"the backup lacks {lacks}; `quietcuff merge {quote(str(done.kept))}` brings it back")
    if done.on_loan:
        _tell_of_loans(done)


def _tell_of_loans(done: Restoring) -> None:
    say(
        f"cuffs on loan by the backup: {done.on_loan} (`quietcuff loan list`); what one that was lent on since "
        "measures is given to the borrower before"
    )
    if done.kept and done.present:
        say(f"`quietcuff merge {quote(str(done.kept))}` brings back what was lent, and came back, since")
    else:
        say(
            "take each that came back since back once more (`quietcuff loan back CUFF`), and say when it came: "
            "`quietcuff person end CODE --cuff CUFF --at TIME`"
        )


def _words(contents: Contents, zone: tzinfo | None) -> str:
    newest = contents.newest
    until = f", the newest of {minute(newest, zone)}" if newest else ""
    return f"{counted(contents.payloads, 'payload')} and {counted(contents.readings, 'reading')}{until}"


def _lacks(done: Restoring) -> str:
    """What stands in the present store alone, as far as can be told: none of it is undone by a word."""
    present, restored = done.present, done.contents
    if present is None:
        return ""
    newer = present.newest is not None and (restored.newest is None or present.newest > restored.newest)
    payloads = "payloads" if newer or present.payloads > restored.payloads else ""
    said = "what was said since (strikes, claims, notes and the like)" if present.said > restored.said else ""
    return " and ".join(filter(None, (payloads, said)))
