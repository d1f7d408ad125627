"""The commands and their options. Each loads what it needs when it runs."""

from __future__ import annotations

from typing import Annotated

import typer

app = typer.Typer(
    name="airyoke",
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    help=(
        "What each patient gets when two to four passive patients must share one ventilator, and the best "
        "plan for a ward. Sharing is the last resort. The tool advises; licensed clinicians decide."
    ),
)

Json = Annotated[bool, typer.Option("--json", help="The answer as JSON on stdout, nothing else there.")]
Seed = Annotated[int, typer.Option("--seed", help="Seed of the draws: same input and seed, same answer.")]
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
def predict(
    case: Annotated[
        str, typer.Argument(metavar="CASE", help="A case as a JSON file; - reads it from stdin.")
    ],
    as_json: Json = False,
    seed: Seed = 0,
    brief: Brief = False,
) -> int:
    """What each patient of one group gets through one circuit at one set of settings."""
    from airyoke.cli.predict import predict_command

    return predict_command(case, as_json=as_json, seed=seed, brief=brief)


@app.command()
def limits(as_json: Json = False, seed: Seed = 0) -> int:
    """The limits, the conditions that bear on sharing, the policy and the defaults, each with its source."""
    from airyoke.cli.limits import limits_command

    return limits_command(as_json=as_json)
