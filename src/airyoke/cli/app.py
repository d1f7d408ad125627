"""The commands and their options. Each loads what it needs when it runs."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

import airyoke.cli.bedside_commands  # noqa: F401 - its commands join the others under `record`
from airyoke.cli.record_commands import As, MaybePlace, PasswordFile, Place, Site, record_app

app = typer.Typer(
    name="airyoke",
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    help=(
        "What each patient gets when two to four passive patients must share one ventilator, and the best "
        "plan for a ward. Sharing is the last resort. The tool advises; licensed clinicians decide."
    ),
)

app.add_typer(record_app)

Json = Annotated[bool, typer.Option("--json", help="The answer as JSON on stdout, nothing else there.")]
Seed = Annotated[int, typer.Option("--seed", help="Seed of the draws: same input and seed, same answer.")]
SeedOfNothing = Annotated[int, typer.Option("--seed", help="Taken by every command; here nothing is drawn.")]
Now = Annotated[
    str | None,
    typer.Option("--now", metavar="TIME", help="ISO 8601; ages of readings count from here. Default: the clock."),
]
Ward = Annotated[
    Path | None, typer.Argument(metavar="WARD", help="A workbook (.xlsx) or a folder of CSV files; or --record.")
]
Why = Annotated[
    str | None,
    typer.Option("--why", metavar="'BED QUANTITY'", help="One number down to its inputs: --why '3 paco2'."),
]
SiteParts = Annotated[
    Path | None, typer.Option("--site-parts", metavar="CSV", help="Parts of your own, measured at 30 and 60 L/min.")
]
NoOpen = Annotated[bool, typer.Option("--no-open", help="Open no browser.")]
Brief = Annotated[bool, typer.Option("--brief", help="One line a patient.")]


def _version(wanted: bool) -> None:
    if wanted:
        from airyoke import __version__

        typer.echo(f"airyoke {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


@app.command()
def demo(
    to: Annotated[
        Path | None, typer.Option("--to", metavar="PATH", help="Where to write it; nothing is overwritten.")
    ] = None,
    as_json: Json = False,
    seed: Seed = 0,
    now: Now = None,
    brief: Brief = False,
    in_app: Annotated[
        bool | None,
        typer.Option("--app/--no-app", help="Open the app on the demo ward. Default: where stdout is a terminal."),
    ] = None,
    no_open: NoOpen = False,
) -> int:
    """Write a demo ward, all of it made up, print its plan, and open the app on it."""
    from airyoke.cli.plan import demo_command

    code = demo_command(to, now=now, seed=seed, as_json=as_json, brief=brief)
    if as_json or in_app is False or (in_app is None and not sys.stdout.isatty()):
        return code
    from airyoke.cli.serve import serve_demo_command

    return serve_demo_command(no_open=no_open)


@app.command()
def serve(
    record: Place,
    site: Site = None,
    host: Annotated[str, typer.Option("--host", help="Other than this computer: needs accounts; https then.")] = (
        "127.0.0.1"
    ),
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes a free one.")] = 0,
    called: Annotated[
        list[str] | None, typer.Option("--called", metavar="NAME", help="Another name that browsers may type.")
    ] = None,
    certificate: Annotated[Path | None, typer.Option("--certificate", metavar="PEM", help="Your own, for https.")] = (
        None
    ),
    key: Annotated[Path | None, typer.Option("--key", metavar="PEM", help="Its key.")] = None,
    line_folder: Annotated[
        Path | None,
        typer.Option("--line-folder", metavar="DIR", help="Where a certificate of this site's own is made and kept. "
                     "[default: beside the record]"),
    ] = None,
    no_open: NoOpen = False,
    as_json: Json = False,
    seed: Seed = 0,
) -> int:
    """The app in a browser, on the site's record, until Ctrl-C."""
    from airyoke.cli.serve import serve_command
    from airyoke.web.listen import Address

    if line_folder is None and "://" not in record:
        line_folder = Path(f"{record}.line")
    address = Address(host, port, tuple(called or ()), certificate, key, line_folder)
    return serve_command(record, site, address, no_open=no_open, as_json=as_json)


@app.command()
def template(
    path: Annotated[Path, typer.Argument(metavar="PATH", help="NAME.xlsx, or NAME for a folder of CSV files.")],
    as_json: Json = False,
    seed: SeedOfNothing = 0,
) -> int:
    """Write an empty ward, every column explained."""
    from airyoke.cli.check import template_command

    return template_command(path, as_json=as_json)


@app.command()
def check(
    ward: Ward = None,
    record: MaybePlace = None,
    site: Site = None,
    as_json: Json = False,
    seed: Seed = 0,
    now: Now = None,
) -> int:
    """Read a ward and list everything that is wrong or unusual in it."""
    from airyoke.cli.check import check_command

    return check_command(ward, record=record, site=site, now=now, as_json=as_json)


@app.command()
def plan(
    ward: Ward = None,
    record: MaybePlace = None,
    site: Site = None,
    as_json: Json = False,
    seed: Seed = 0,
    now: Now = None,
    brief: Brief = False,
    all_pairs: Annotated[bool, typer.Option("--all-pairs", help="Every pair kept apart, and why.")] = False,
    why: Why = None,
    site_parts: SiteParts = None,
    keep: Annotated[bool, typer.Option("--keep", help="Write the plan down in the record, under --as.")] = False,
    as_: As = None,
    password_file: PasswordFile = None,
    after: Annotated[
        list[str] | None,
        typer.Option("--after", metavar="'WORD BED'", help="What happened to a ward that runs: --after 'leaves C2'; "
                     "frees, fails, ends a ventilator; arrives, improves, worsens, leaves, dies, off."),
    ] = None,
    running: Annotated[
        Path | None,
        typer.Option("--running", metavar="FILE", help="For --after: the plan that runs, as airyoke plan --json wrote "
                     "it. Default: what the ward or the record says."),
    ] = None,
    recounted: Annotated[
        bool, typer.Option("--recounted", help="For --after: the stock was counted after the circuits were built.")
    ] = False,
) -> int:  # fmt: skip
    """Who shares with whom on which ventilator, at which settings and alarm limits, and what each gets."""
    if after or running is not None or recounted:
        from airyoke.cli.replan import AskedAfter, replan_command

        if keep or why is not None or all_pairs:
            raise typer.BadParameter("--keep, --why and --all-pairs go with a plan, not with --after")
        asked = AskedAfter(ward, record, site, running, recounted, tuple(after or ()), now, seed, site_parts)
        return replan_command(asked, as_json=as_json, brief=brief)
    from airyoke.cli.plan import plan_command

    return plan_command(ward, record=record, site=site, now=now, seed=seed, as_json=as_json, brief=brief,
                        all_pairs=all_pairs, why=why, site_parts=site_parts, keep=keep, person=as_,
                        password_file=password_file)  # fmt: skip


@app.command("print")
def print_(
    to: Annotated[Path, typer.Option("--to", metavar="DIR", help="The folder for the files; it is made if missing.")],
    ward: Ward = None,
    record: MaybePlace = None,
    site: Site = None,
    plan: Annotated[
        Path | None,
        typer.Option("--plan", metavar="FILE", help="A plan that airyoke plan --json wrote; else it is worked out."),
    ] = None,
    group: Annotated[str | None, typer.Option("--group", metavar="G1", help="One group only.")] = None,
    sheet: Annotated[
        list[str] | None,
        typer.Option(
            "--sheet",
            metavar="NAME",
            help="bed-card, labels, assembly, bench-check, rehearsal, change-over, observation, alarms, emergency, "
            "order, shift-report, acceptance; may be repeated. Default: all.",
        ),
    ] = None,
    paper: Annotated[str, typer.Option("--paper", metavar="SIZE", help="a4 or letter.")] = "a4",
    as_json: Json = False,
    seed: Seed = 0,
    now: Now = None,
) -> int:
    """Cards, labels, checklists, alarm and observation sheets, order list and shift report as PDF files."""
    from airyoke.cli.print_sheets import Asked, print_command

    return print_command(Asked(ward, record, site, plan, group, sheet or (), to, paper, now, seed), as_json=as_json)


@app.command()
def predict(
    case: Annotated[
        str | None, typer.Argument(metavar="CASE", help="A case as a JSON file; - reads it from stdin.")
    ] = None,
    as_json: Json = False,
    seed: Seed = 0,
    brief: Brief = False,
    why: Why = None,
    change: Annotated[
        list[str] | None,
        typer.Option("--change", metavar="'WORD ...'", help="What if: --change 'drive +2'. Several are made in turn."),
    ] = None,
    others: Annotated[
        str | None, typer.Option("--with", metavar="CASE", help="A case whose patients a change may bring in.")
    ] = None,
    changes: Annotated[bool, typer.Option("--changes", help="List what --change can ask.")] = False,
    trim: Annotated[
        bool, typer.Option("--trim", help="Which restrictor, PEEP valve or dead space on whose limb suits everybody.")
    ] = False,
    stock: Annotated[
        Path | None, typer.Option("--stock", metavar="WARD", help="For --trim: the ward whose stock sheet counts.")
    ] = None,
    room_left: Annotated[
        Path | None,
        typer.Option("--room-left", metavar="FILE.svg", help="Draw how far two compliances may go together."),
    ] = None,
) -> int:
    """What each patient of one group gets through one circuit at one set of settings; and what if."""
    if changes:
        from airyoke.cli.what_if import forms_command

        return forms_command(as_json=as_json)
    from airyoke.cli.predict import Asked, predict_command

    asked = Asked(brief, why, tuple(change or ()), others, trim, stock, room_left)
    return predict_command(case, asked, as_json=as_json, seed=seed)


@app.command()
def circuit(
    patients: Annotated[
        int | None, typer.Option("--patients", metavar="N", help="How many breathe through it.")
    ] = None,
    stock: Annotated[
        Path | None, typer.Option("--stock", metavar="WARD", help="The ward whose stock sheet counts. Default: order.")
    ] = None,
    site_parts: SiteParts = None,
    svg: Annotated[Path | None, typer.Option("--svg", metavar="FILE", help="Draw it into this file.")] = None,
    narrow: Annotated[bool, typer.Option("--narrow", help="Draw it upright, for a phone.")] = False,
    reach: Annotated[
        str | None, typer.Option("--reach", metavar="M[,M...]", help="Metres from splitter to wye, for all or each.")
    ] = None,
    layout: Annotated[str, typer.Option("--layout", help="Splitters in a tree or in a chain.")] = "tree",
    humidification: Annotated[str, typer.Option("--humidification", help="hme or heated.")] = "hme",
    built: Annotated[
        str | None,
        typer.Option("--built", metavar="FILE", help="What was really built, typed back as JSON; - = stdin."),
    ] = None,
    restrictor: Annotated[
        str | None, typer.Option("--restrictor", metavar="A=PART[,B=...]", help="A restrictor on a lane's way in.")
    ] = None,
    peep_valve: Annotated[
        str | None, typer.Option("--peep-valve", metavar="A=CMH2O[,...]", help="An in-line PEEP valve on a way out.")
    ] = None,
    closed_suction: Annotated[bool, typer.Option("--closed-suction", help="Closed suction at every patient.")] = False,
    parts: Annotated[bool, typer.Option("--parts", help="List the parts catalogue.")] = False,
    as_json: Json = False,
    seed: Seed = 0,
    now: Now = None,
) -> int:
    """What to build from the store room: parts, joints in order, what is missing, what the bench should show."""
    from airyoke.cli.circuit import Asked, circuit_command, parts_command

    if parts:
        return parts_command(as_json=as_json)
    asked = Asked(
        patients, stock, site_parts, svg, reach, layout, humidification, built, narrow, now, restrictor, peep_valve,
        closed_suction,
    )  # fmt: skip
    return circuit_command(asked, as_json=as_json)


@app.command()
def faults(
    case: Annotated[str, typer.Argument(metavar="CASE", help="A case as a JSON file; - reads it from stdin.")],
    only: Annotated[
        str | None, typer.Option("--only", metavar="FAULT", help="One fault in full: --only tube-blocked.A")
    ] = None,
    card: Annotated[bool, typer.Option("--card", help="The card for the bedside alone.")] = False,
    as_json: Json = False,
    seed: Seed = 0,
) -> int:
    """Everything that can go wrong in one group: whom it hurts, how soon, which alarm tells, what stays silent."""
    from airyoke.cli.faults import faults_command

    return faults_command(case, as_json=as_json, seed=seed, only=only, card=card)


@app.command()
def watch(
    case: Annotated[
        str | None, typer.Argument(metavar="CASE", help="A case as a JSON file; - reads it from stdin.")
    ] = None,
    baseline: Annotated[
        list[str] | None,
        typer.Option("--baseline", metavar="'[WHO] WHAT VALUE'", help="Read when the group had settled: 'B etco2 36'."),
    ] = None,
    read: Annotated[
        list[str] | None,
        typer.Option("--read", metavar="'[@WHEN] [WHO] WHAT VALUE'", help="Read since: 'vte 430', '@15 B curve no'."),
    ] = None,
    settled_at: Annotated[
        str | None, typer.Option("--settled-at", metavar="TIME", help="When the baseline was read, ISO 8601.")
    ] = None,
    names: Annotated[bool, typer.Option("--names", help="List what can be read and how it is typed.")] = False,
    as_json: Json = False,
    seed: Seed = 0,
    now: Now = None,
) -> int:
    """After a round of readings: who or what most likely changed, and what to read next. No monitor."""
    from airyoke.cli.watch import Asked, names_command, watch_command

    if names:
        return names_command()
    asked = Asked(baseline or (), read or (), settled_at, now)
    return watch_command(case, asked, as_json=as_json, seed=seed)


@app.command()
def limits(as_json: Json = False, seed: SeedOfNothing = 0) -> int:
    """The limits, the conditions that bear on sharing, the policy and the defaults, each with its source."""
    from airyoke.cli.limits import limits_command

    return limits_command(as_json=as_json)


@app.command()
def verify(
    as_json: Json = False,
    seed: Seed = 0,
    as_markdown: Annotated[
        bool, typer.Option("--markdown", help="The table as Markdown, as docs/proof.md holds it.")
    ] = False,
    every: Annotated[bool, typer.Option("--all", help="A check that could not be run fails, too.")] = False,
) -> int:
    """Check the tool against sources outside it: formulas, solvers, libraries, published benches."""
    from airyoke.cli.verify import verify_command

    return verify_command(as_json=as_json, as_markdown=as_markdown, every=every)


@app.command()
def bench(
    as_json: Json = False,
    seed: Seed = 0,
    scenarios: Annotated[
        int, typer.Option("--scenarios", metavar="N", help="Groups that the slow solvers are given, 1 to 24.")
    ] = 12,
    against: Annotated[
        Path | None, typer.Option("--against", metavar="FILE", help="An earlier answer as JSON, shown beside.")
    ] = None,
) -> int:
    """How fast it is here: the engine beside general-purpose solvers, and the times that people wait."""
    from airyoke.cli.bench import bench_command

    return bench_command(as_json=as_json, scenarios=scenarios, against=against)
