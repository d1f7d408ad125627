"""`airyoke bench`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from airyoke.cli.notes import cautions_part
from airyoke.cli.page import Column, Page, page_for_stdout, print_page
from airyoke.cli.progress import Progress
from airyoke.cli.run import EXIT_DONE
from airyoke.contract.bench_answer import BenchAnswer, SolverAnswer
from airyoke.quantities import Finding, Refused
from airyoke.quantities.cautions import STANDING

_MOST_SCENARIOS: Final = 24


def bench_command(*, as_json: bool, scenarios: int, against: Path | None) -> int:
    """Measure and print; ``against`` is an earlier answer as JSON, whose figures are shown beside."""
    if not 1 <= scenarios <= _MOST_SCENARIOS:
        reason = f"{scenarios} groups are asked for, 1 to {_MOST_SCENARIOS} are stored"
        raise Refused((Finding("bench-scenarios", "refused", reason, "give --scenarios a number in that range"),))
    earlier = None if against is None else _earlier(against)
    from airyoke.speed import measure

    print("measuring; the engine is also compiled anew once, this takes some minutes", file=sys.stderr)
    progress = Progress()
    try:
        answer = measure(scenarios, progress)
    finally:
        progress.clear()
    if as_json:
        print(answer.json_text())
    else:
        page = page_for_stdout()
        bench_page(page, answer, earlier)
        print_page(page)
    return EXIT_DONE


def _earlier(path: Path) -> BenchAnswer:
    try:
        return BenchAnswer.model_validate_json(path.read_bytes())
    except OSError as error:
        reason = f"it cannot be opened: {error.strerror or type(error).__name__}"
    except ValidationError:
        reason = "it is not an answer of airyoke bench --json"
    remedy = "write one with airyoke bench --json > FILE"
    raise Refused((Finding("bench-against", "refused", reason, remedy, file=path.name),))


def bench_page(page: Page, answer: BenchAnswer, earlier: BenchAnswer | None) -> None:
    """Solvers, waiting times, the machine; with an earlier answer what each time is now as a part of then."""
    page.title("How fast it is here")
    machine = answer.machine
    page.text(
        f"{machine.processor}, {machine.processors} processors, {machine.measured_at}, commit "
        f"{machine.commit or 'unknown'}; Python {machine.python}, numpy {machine.numpy}, numba {machine.numba}, scipy "
        f"{machine.scipy or 'not installed'}, ngspice {machine.ngspice or 'not installed'}."
    )
    page.text(
        f"Running processes, mean of a minute: {machine.load[0]:g} before, {machine.load[1]:g} after. With more than "
        f"{machine.processors}, waiting times are too long; processor times and ratios are less touched."
    )
    page.part("The settled breath of groups of four")
    page.text(
        "Errors against a stored outside referee: tidal volume in % (of at least 20 mL), pressures in cmH2O; worst "
        "patient of a group. Slower: its processor time on the same groups over the engine's on one thread.", 2,
    )  # fmt: skip
    names = ("groups", "processor us", "wall us", "slower", "VT % med", "worst", "cmH2O")
    columns = [Column("solver"), *(Column(name, right=True) for name in names)]
    before = {one.name: one.processor_us for one in earlier.solvers} if earlier else {}
    if earlier:
        columns.append(Column("now/then", right=True))
    page.table(columns, [_solver_row(one) + _change(one.processor_us, before, one.name) for one in answer.solvers])
    for one in answer.solvers:
        page.text(f"{one.name}: {one.what}{f'. Not run: {one.reason}' if one.reason else ''}.", 2, 4, style="quiet")
    agree = "give the same bits" if answer.threads_agree else "DIFFER"
    page.text(
        f"{answer.scenarios_per_second:,.0f} groups of four a second on two threads. One and two threads {agree}."
    )
    page.part("What people wait for")
    columns = [Column("what", wrap=True), Column("median, s", right=True), Column("longest", right=True)]
    columns += [Column("processor, s", right=True), Column("aim, s", right=True), Column("times", right=True)]
    waits = {one.name: one.processor_s for one in earlier.times} if earlier else {}
    if earlier:
        columns.append(Column("now/then", right=True))
    rows = [
        [
            f"{one.name}: {one.what}", f"{one.wall_s:g}", f"{one.largest_wall_s:g}", f"{one.processor_s:g}",
            "-" if one.target_s is None else f"{one.target_s:g}", str(one.repeats),
            *_change(one.processor_s, waits, one.name),
        ]
        for one in answer.times
    ]  # fmt: skip
    page.table(columns, rows)
    if earlier:
        page.text(
            f"Then: commit {earlier.machine.commit or 'unknown'}, {earlier.machine.measured_at}. Processor times."
        )
    cautions_part(page, STANDING)


def _solver_row(one: SolverAnswer) -> list[str]:
    if one.processor_us is None or one.wall_us is None or one.errors is None or one.times_the_engine is None:
        return [one.name, "not run", *["-"] * 6]
    errors = one.errors
    return [
        one.name, str(one.scenarios), _figure(one.processor_us), _figure(one.wall_us),
        _figure(one.times_the_engine),
        f"{errors.median_volume_pct:g}", f"{errors.largest_volume_pct:g}", f"{errors.largest_pressure_cmh2o:g}",
    ]  # fmt: skip


def _figure(value: float) -> str:
    return f"{value:,.0f}" if value >= 100.0 else f"{value:.3g}"


def _change(now: float | None, before: dict[str, float] | dict[str, float | None], name: str) -> list[str]:
    if not before:
        return []
    then = before.get(name)
    return ["-" if now is None or not then else f"{now / then:.2f}"]
