"""The commands of the bedside under `airyoke record`. Each loads what it needs when it runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from airyoke.cli.record_commands import As, Json, PasswordFile, Place, Site, record_app

Group = Annotated[str, typer.Argument(metavar="GROUP", help="The group, as the plan or the record names it.")]
At = Annotated[str | None, typer.Option("--at", metavar="TIME", help="When, ISO 8601 with offset. Default: now.")]
Reason = Annotated[str | None, typer.Option("--reason", metavar="WORDS", help="Why.")]
Roles = Annotated[
    list[str] | None,
    typer.Option("--role", metavar="ROLE=NAME", help="airway, circuit, drugs, reader: who has each; repeat it."),
]
Read = Annotated[
    list[str] | None,
    typer.Option("--read", metavar="'BED VALUES'",
                 help="A bed and its values in the order of the form (- = not read), or name=value; repeat it."),
]  # fmt: skip
Confirm = Annotated[
    list[str] | None, typer.Option("--confirm", metavar="ID", help="A finding that was asked and is so; with --reason.")
]


@record_app.command()
def build(
    label: Annotated[str, typer.Argument(metavar="LABEL", help="The label on the circuit.")],
    record: Place,
    patients: Annotated[int | None, typer.Option("--patients", help="It was put together, for so many.")] = None,
    passed: Annotated[bool | None, typer.Option("--passed/--failed", help="Its bench check.")] = None,
    expires: Annotated[str | None, typer.Option("--expires", metavar="TIME", help="When that check runs out.")] = None,
    opened: Annotated[bool, typer.Option("--opened", help="It was opened since; with --reason.")] = False,
    reason: Reason = None,
    site: Site = None,
    as_: As = None,
    password_file: PasswordFile = None,
    as_json: Json = False,
) -> int:
    """A circuit: put together, checked on the bench, or opened again. The gate of a group asks for its check."""
    from airyoke.cli.bedside import Writing, build_command

    writing = Writing(record, site, as_, password_file, as_json)
    return build_command(writing, label, patients, passed, expires, opened=opened, reason=reason)


@record_app.command()
def rehearse(
    group: Group,
    record: Place,
    read: Read = None,
    skip: Annotated[str | None, typer.Option("--skip", metavar="REASON", help="Not rehearsed, and why.")] = None,
    of: Annotated[str | None, typer.Option("--of", metavar="PLAN", help="Of which plan. Default: the newest.")] = None,
    draws: Annotated[int, typer.Option("--draws", min=64, help="How many draws decide.")] = 1024,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the draws.")] = 0,
    site: Site = None,
    as_: As = None,
    password_file: PasswordFile = None,
    as_json: Json = False,
) -> int:
    """Prepare a group of the plan; with what was read of each alone at its settings: confirmed, re-tuned, or not."""
    from airyoke.cli.bedside import Writing, rehearse_command

    writing = Writing(record, site, as_, password_file, as_json)
    return rehearse_command(writing, group, read or [], skip, of, draws=draws, seed=seed)


@record_app.command()
def tick(
    group: Group,
    record: Place,
    items: Annotated[
        list[str] | None, typer.Argument(metavar="[LINE]...", help="Lines of the gate; none: show it.")
    ] = None,
    by: Annotated[list[str] | None, typer.Option("--by", metavar="NAME", help="Who saw to it; repeat it.")] = None,
    build: Annotated[str | None, typer.Option("--build", metavar="LABEL", help="Which circuit it will be.")] = None,
    holds: Annotated[bool, typer.Option("--holds/--not", help="It holds, or does not.")] = True,
    at: At = None,
    site: Site = None,
    as_: As = None,
    password_file: PasswordFile = None,
    as_json: Json = False,
) -> int:
    """The gate of a group, line by line, each by a named person."""
    from airyoke.cli.bedside import Writing, tick_command

    writing = Writing(record, site, as_, password_file, as_json)
    return tick_command(writing, group, items or [], by or [], build, holds=holds, at=at)


@record_app.command()
def start(
    group: Group,
    record: Place,
    role: Roles = None,
    confirm: Confirm = None,
    reason: Reason = None,
    at: At = None,
    site: Site = None,
    as_: As = None,
    password_file: PasswordFile = None,
    as_json: Json = False,
) -> int:
    """Begin the change-over, where the gate holds: who has which role, the first step, when to stop."""
    from airyoke.cli.bedside import Writing, start_command

    writing = Writing(record, site, as_, password_file, as_json)
    return start_command(writing, group, role or [], confirm or [], reason, at)


@record_app.command()
def step(
    group: Group,
    record: Place,
    clamps: Annotated[int | None, typer.Option("--clamps", min=0, help="How many are on now, counted.")] = None,
    undo: Annotated[str | None, typer.Option("--undo", metavar="REASON", help="Take the last step back.")] = None,
    confirm: Confirm = None,
    reason: Reason = None,
    at: At = None,
    site: Site = None,
    as_: As = None,
    password_file: PasswordFile = None,
    as_json: Json = False,
) -> int:
    """The step that comes now was done, or the last one is taken back; then the next."""
    from airyoke.cli.bedside import Writing, step_command

    writing = Writing(record, site, as_, password_file, as_json)
    return step_command(writing, group, clamps, undo, confirm or [], reason, at)


@record_app.command()
def abandon(
    group: Group,
    record: Place,
    reason: Annotated[str, typer.Option("--reason", metavar="WORDS", help="What was seen.")],
    at: At = None,
    site: Site = None,
    as_: As = None,
    password_file: PasswordFile = None,
    as_json: Json = False,
) -> int:
    """Give the change-over up: its own steps follow."""
    from airyoke.cli.bedside import Writing, abandon_command

    return abandon_command(Writing(record, site, as_, password_file, as_json), group, reason, at)


@record_app.command(name="exit")
def exit_(
    group: Group,
    off: Annotated[list[str], typer.Argument(metavar="BED...", help="Who comes off, in this order.")],
    record: Place,
    reason: Annotated[str, typer.Option("--reason", metavar="WORDS", help="Why.")],
    role: Roles = None,
    to: Annotated[
        list[str] | None, typer.Option("--to", metavar="BED=VENTILATOR", help="Where to; repeat it. Default: a bag.")
    ] = None,
    at: At = None,
    site: Site = None,
    as_: As = None,
    password_file: PasswordFile = None,
    as_json: Json = False,
) -> int:
    """Take patients off the shared ventilator: the steps follow."""
    from airyoke.cli.bedside import Writing, exit_command

    writing = Writing(record, site, as_, password_file, as_json)
    return exit_command(writing, group, off, role or [], to or [], reason, at)


@record_app.command(name="round")
def round_(
    group: Group,
    record: Place,
    read: Read = None,
    ventilator: Annotated[
        str | None, typer.Option("--ventilator", metavar="'VALUES'", help="What the shared ventilator shows, likewise.")
    ] = None,
    baseline: Annotated[
        bool, typer.Option("--baseline", help="Everybody is on: these set the alarm limits.")
    ] = False,
    at: At = None,
    site: Site = None,
    as_: As = None,
    password_file: PasswordFile = None,
    as_json: Json = False,
) -> int:
    """A round, each value beside what was predicted. At a terminal without values it asks in the order of the form."""
    from airyoke.cli.bedside import Writing
    from airyoke.cli.bedside_rounds import round_command

    writing = Writing(record, site, as_, password_file, as_json)
    return round_command(writing, group, read or [], ventilator, baseline=baseline, at=at)


@record_app.command()
def act(
    group: Group,
    what: Annotated[str, typer.Argument(metavar="WHAT", help="What was done, in words.")],
    record: Place,
    bed: Annotated[str | None, typer.Option("--bed", metavar="BED", help="To whom.")] = None,
    reason: Reason = None,
    at: At = None,
    site: Site = None,
    as_: As = None,
    password_file: PasswordFile = None,
    as_json: Json = False,
) -> int:
    """Something was done to a group (a turn, a dose, suction, a dial): it is to be read again."""
    from airyoke.cli.bedside import Writing
    from airyoke.cli.bedside_rounds import act_command

    return act_command(Writing(record, site, as_, password_file, as_json), group, what, bed, reason, at)


@record_app.command()
def due(record: Place, site: Site = None, as_json: Json = False) -> int:
    """What is due in every group now, what is overdue, and whether a tube is clamped."""
    from airyoke.cli.bedside_rounds import due_command

    return due_command(record, site, as_json=as_json)


@record_app.command()
def sequence(
    name: Annotated[str, typer.Argument(metavar="NAME", help="gate, start, abandon or exit.")],
    record: Place,
    file: Annotated[
        Path | None, typer.Option("--file", metavar="FILE", help="The site's own, as JSON. Without: the usual again.")
    ] = None,
    show: Annotated[bool, typer.Option("--show", help="Print the one that holds here, as JSON.")] = False,
    reason: Reason = None,
    site: Site = None,
    as_: As = None,
    password_file: PasswordFile = None,
    as_json: Json = False,
) -> int:
    """The site's own gate or sequence, in place of the usual one."""
    from airyoke.cli.bedside import Writing, sequence_command

    return sequence_command(Writing(record, site, as_, password_file, as_json), name, file, reason, show=show)
