"""The commands under `airyoke record` and their options. Each loads what it needs when it runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Json = Annotated[bool, typer.Option("--json", help="The answer as JSON on stdout, nothing else there.")]
Place = Annotated[
    str,
    typer.Option("--record", envvar="AIRYOKE_RECORD", metavar="RECORD",
                 help="A file, or postgresql://USER@HOST/DATABASE. Default: AIRYOKE_RECORD."),
]  # fmt: skip
MaybePlace = Annotated[
    str | None,
    typer.Option("--record", metavar="RECORD", help="A record instead: a file, or postgresql://USER@HOST/DATABASE."),
]
Site = Annotated[str | None, typer.Option("--site", metavar="NAME", help="Which site, where there are several.")]
As = Annotated[str | None, typer.Option("--as", metavar="NAME", help="Who writes.")]
PasswordFile = Annotated[
    Path | None,
    typer.Option("--password-file", metavar="FILE", help="First line: the password of --as. Default: it is asked."),
]
NewPasswordFile = Annotated[
    Path | None,
    typer.Option("--new-password-file", metavar="FILE", help="First line: the new password. Default: it is asked."),
]

record_app = typer.Typer(
    name="record",
    help="The record of a site: what was written down, by whom, when; kept, verified, copied.",
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
people_app = typer.Typer(name="people", help="Who may write in the record, and as what.", no_args_is_help=True)
record_app.add_typer(people_app)


@record_app.command()
def create(
    record: Place,
    site: Annotated[str, typer.Option("--site", metavar="NAME", help="1 to 40 of a-z, 0-9 and -.")],
    keeper: Annotated[str, typer.Option("--keeper", metavar="NAME", help="Who keeps accounts, policy and backups.")],
    title: Annotated[str | None, typer.Option("--title", help="The site in words.")] = None,
    unlocked: Annotated[
        bool, typer.Option("--unlocked", help="Whoever is at this computer may write: one user, one computer.")
    ] = False,
    new_password_file: NewPasswordFile = None,
    as_json: Json = False,
) -> int:
    """A new record and its keeper. Nothing is overwritten; there is no default password."""
    from airyoke.cli.record import create_command

    return create_command(record, site, keeper, title=title, unlocked=unlocked, password_file=new_password_file,
                          as_json=as_json)  # fmt: skip


@record_app.command()
def status(record: Place, site: Site = None, as_json: Json = False) -> int:
    """How the record is: heads, space, clock, last backup. 1 where something is refused."""
    from airyoke.cli.record import status_command

    return status_command(record, site, as_json=as_json)


@record_app.command()
def verify(
    record: Place,
    site: Site = None,
    head: Annotated[list[str] | None, typer.Option("--head", help="A head that was kept; may be repeated.")] = None,
    heads: Annotated[Path | None, typer.Option("--heads", help="A file with heads, one a line.")] = None,
    as_json: Json = False,
) -> int:
    """Check the file, both chains in full and the ward folded anew. 0 all holds, 1 not."""
    from airyoke.cli.record import verify_command

    return verify_command(record, site, head or [], heads, as_json=as_json)


@record_app.command()
def head(
    record: Place,
    site: Site = None,
    append: Annotated[
        Path | None, typer.Option("--append", help="A file in a second place to add the heads to.")
    ] = None,
    as_json: Json = False,
) -> int:
    """The ends of both chains. Kept in a second place they show later that nothing was cut off."""
    from airyoke.cli.record import head_command

    return head_command(record, site, append, as_json=as_json)


@record_app.command()
def backup(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where backups are kept: on another disk.")],
    record: Place,
    site: Site = None,
    as_json: Json = False,
) -> int:
    """A verified copy while the record is in use, with its SHA-256 beside it."""
    from airyoke.cli.record import backup_command

    return backup_command(folder, record, site, as_json=as_json)


@record_app.command()
def restore(
    backup_file: Annotated[Path, typer.Argument(metavar="BACKUP")],
    record: Place,
    as_json: Json = False,
) -> int:
    """A record in a new place from a backup. The backup is not touched."""
    from airyoke.cli.record import restore_command

    return restore_command(backup_file, record, as_json=as_json)


@record_app.command()
def upgrade(record: Place, as_json: Json = False) -> int:
    """Bring an older record to the form this program writes: all of it or nothing. Make a backup of it first."""
    from airyoke.cli.record import upgrade_command

    return upgrade_command(record, as_json=as_json)


@record_app.command()
def copy(
    record: Place,
    to: Annotated[str, typer.Option("--to", metavar="RECORD", help="A new file, or a server.")],
    site: Site = None,
    as_json: Json = False,
) -> int:
    """A whole site with its accounts to a new file or to PostgreSQL, and back."""
    from airyoke.cli.record import copy_command

    return copy_command(record, to, site, as_json=as_json)


@record_app.command(name="export")
def export_(
    target: Annotated[Path, typer.Argument(metavar="TARGET", help="NAME.jsonl, NAME.xlsx, or NAME for a folder.")],
    record: Place,
    site: Site = None,
    as_json: Json = False,
) -> int:
    """The whole record as lines of JSON, or the ward as it stands as a workbook."""
    from airyoke.cli.record_import import export_command

    return export_command(target, record, site, as_json=as_json)


@record_app.command(name="import")
def import_(
    source: Annotated[Path, typer.Argument(metavar="SOURCE", help="A workbook, a folder, or exported NAME.jsonl.")],
    record: Place,
    site: Site = None,
    confirm: Annotated[
        str | None,
        typer.Option("--confirm", metavar="LINES", help="new, changed, all (both), or numbers: 1,4,7."),
    ] = None,
    proposal: Annotated[
        str | None, typer.Option("--proposal", metavar="ID", help="The proposal that the numbers are of.")
    ] = None,
    as_: As = None,
    password_file: PasswordFile = None,
    now: Annotated[str | None, typer.Option("--now", metavar="TIME", help="ISO 8601. Default: the clock.")] = None,
    as_json: Json = False,
) -> int:
    """What a workbook would change, line by line; --confirm writes. Lines of JSON become a new record."""
    from airyoke.cli.record_import import import_command

    return import_command(source, record, site, confirm=confirm, proposal=proposal, person=as_,
                          password_file=password_file, now=now, as_json=as_json)  # fmt: skip


@record_app.command()
def entries(
    record: Place,
    site: Site = None,
    last: Annotated[int, typer.Option("--last", min=1, help="How many.")] = 20,
    audit: Annotated[bool, typer.Option("--audit", help="Who read, exported, backed up, signed in.")] = False,
    as_json: Json = False,
) -> int:
    """Who wrote what, and when: the last entries as they were written."""
    from airyoke.cli.record import entries_command

    return entries_command(record, site, last, audit=audit, as_json=as_json)


@record_app.command()
def space(
    record: Place,
    release: Annotated[bool, typer.Option("--release", help="Give the reserve back to the disk.")] = False,
    as_json: Json = False,
) -> int:
    """The space on the disk of the record, and its reserve for the worst hour."""
    from airyoke.cli.record import space_command

    return space_command(record, release=release, as_json=as_json)


@people_app.command(name="list")
def people_list(record: Place, site: Site = None, as_json: Json = False) -> int:
    """Who may sign in, and as what."""
    from airyoke.cli.record_people import list_command

    return list_command(record, site, as_json=as_json)


@people_app.command(name="add")
def people_add(
    name: Annotated[str, typer.Argument(metavar="NAME")],
    record: Place,
    role: Annotated[list[str], typer.Option("--role", help="reader, writer, planner, keeper; may be repeated.")],
    site: Site = None,
    as_: As = None,
    password_file: PasswordFile = None,
    new_password_file: NewPasswordFile = None,
    as_json: Json = False,
) -> int:
    """A new person, or other roles and a new password for one who is there."""
    from airyoke.cli.record_people import add_command

    return add_command(name, role, record, site, by=as_, password_file=password_file,
                       new_password_file=new_password_file, as_json=as_json)  # fmt: skip


@people_app.command(name="remove")
def people_remove(
    name: Annotated[str, typer.Argument(metavar="NAME")],
    record: Place,
    site: Site = None,
    as_: As = None,
    password_file: PasswordFile = None,
    as_json: Json = False,
) -> int:
    """Nobody signs in under this name any more; what was written under it stays."""
    from airyoke.cli.record_people import remove_command

    return remove_command(name, record, site, by=as_, password_file=password_file, as_json=as_json)


@people_app.command(name="password")
def people_password(
    name: Annotated[str, typer.Argument(metavar="NAME")],
    record: Place,
    site: Site = None,
    as_: As = None,
    password_file: PasswordFile = None,
    new_password_file: NewPasswordFile = None,
    as_json: Json = False,
) -> int:
    """A new password: one's own, or a keeper's for somebody who forgot."""
    from airyoke.cli.record_people import password_command

    return password_command(name, record, site, by=as_, password_file=password_file,
                            new_password_file=new_password_file, as_json=as_json)  # fmt: skip
