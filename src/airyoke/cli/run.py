"""Running a command: exit codes, refusals in one line each, and a plain word where the fault is ours."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from copy import copy
from functools import cache
from typing import Any

from airyoke.quantities import Finding, Refused

EXIT_DONE = 0
EXIT_NOT_SOLVED = 1
EXIT_BAD_INPUT = 2
EXIT_LEFT_OVER = 3
EXIT_DEFECT = 70  # as sysexits has it: an internal software error
EXIT_INTERRUPTED = 130

DEFECT = "This is a defect of the tool, please report it; nothing was changed."


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code. ``arguments`` default to those of the process."""
    words = list(sys.argv[1:] if arguments is None else arguments) or ["--help"]
    as_json = "--json" in words
    _unbreakable_output()
    try:
        return _run(words)
    except Refused as refusal:
        return _refuse(refusal.findings, as_json)
    except KeyboardInterrupt:
        _say("interrupted; nothing was changed")
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has gone (`| head`): not an error, and nothing more can be written.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_DONE
    except Exception as error:
        if os.environ.get("AIRYOKE_DEBUG") == "1":
            raise
        _say(f"{DEFECT} ({type(error).__name__}; AIRYOKE_DEBUG=1 shows where)")
        return EXIT_DEFECT


@cache
def _command(with_record: bool) -> Any:
    """The command line, put together once: that takes longer than most commands. Half of it are the commands under
    ``record``; without them that group is a name and its help."""
    import typer

    from airyoke.cli.app import app

    if with_record:
        return typer.main.get_command(app)
    light = copy(app)
    light.registered_groups = []
    for group in app.registered_groups:
        assert group.typer_instance is not None
        info = group.typer_instance.info
        told = typer.Typer(name=info.name, help=info.help)
        told.callback()(lambda: None)  # a group of nothing would not be listed
        light.add_typer(told)
    return typer.main.get_command(light)


def _run(words: list[str]) -> int:
    import typer

    # The base of every complaint about the command line, whether typer brings its parser along or not.
    usage_error: type[BaseException] = typer.BadParameter.__mro__[2]
    try:
        result = _command("record" in words).main(args=words, prog_name="airyoke", standalone_mode=False)
        sys.stdout.flush()
    except typer.Abort:
        raise KeyboardInterrupt from None
    except usage_error as error:
        if type(error).__name__ == "NoArgsIsHelpError":  # a group without a command: its help is the answer
            print(str(getattr(error, "message", error)).rstrip(), file=sys.stderr)
            return EXIT_BAD_INPUT
        raise Refused((_about_usage(error),)) from None
    return result if isinstance(result, int) else EXIT_DONE


def _about_usage(error: BaseException) -> Finding:
    message = str(getattr(error, "format_message", lambda: str(error))()).strip()
    context = getattr(error, "ctx", None)
    command = getattr(context, "command_path", "airyoke") or "airyoke"
    text = " ".join(message.split()).rstrip(".")
    return Finding("command-line", "refused", text or "the command is not complete", f"see {command} --help")


def _refuse(findings: tuple[Finding, ...], as_json: bool) -> int:
    if as_json:
        from airyoke.contract.findings_answer import ErrorAnswer

        print(ErrorAnswer.of(findings).json_text())
        return EXIT_BAD_INPUT
    for finding in findings:
        _say(finding_line(finding))
    return EXIT_BAD_INPUT


def finding_line(finding: Finding) -> str:
    """One finding in one line: where, what, what to do."""
    where = " ".join(where_words(finding))
    return f"{where + ': ' if where else ''}{finding.reason}; {finding.remedy} [{finding.id}]"


def where_words(finding: Finding) -> list[str]:
    """The place of a finding as a person looks for it, widest first."""
    words = [finding.file] if finding.file else []
    words += [f"sheet {finding.sheet}"] if finding.sheet else []
    words += [f"row {finding.row}"] if finding.row else []
    words += [finding.column] if finding.column else []
    if finding.bed:
        # A case has patients, a ward has beds.
        in_case = finding.column is not None and finding.column.startswith("patients[")
        who = finding.bed if in_case else f"bed {finding.bed}"
        words.append(f"({who})" if words else who)
    return words


def _say(text: str) -> None:
    print("".join(letter if letter.isprintable() else "?" for letter in text), file=sys.stderr)


def _unbreakable_output() -> None:
    """A terminal that cannot show a letter gets a question mark instead of a traceback."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
