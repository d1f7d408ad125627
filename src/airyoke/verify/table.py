"""All checks, made and counted; and what the table cannot show, with figures from the rows themselves."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

from airyoke import __version__
from airyoke.contract.answers import NoteAnswer, caution_answers, number
from airyoke.contract.verify_answer import (
    CheckRow,
    CountsAnswer,
    Kind,
    ToleranceAnswer,
    ToolAnswer,
    ValueAnswer,
    Verdict,
    VerifyAnswer,
)
from airyoke.quantities.cautions import STANDING
from airyoke.verify import (
    apnoea,
    benches,
    closed_form_rows,
    equations,
    libraries,
    netlists,
    signs,
    vectors_body,
    vectors_gas,
    vectors_mechanics,
)
from airyoke.verify.row import FITTED, TOOLS, Check, Row, version_of

_PROCESSES: Final = 2  # ngspice runs in processes of its own

ORDER: Final[tuple[Kind, ...]] = (
    "formula vector",
    "closed form",
    "law",
    "LSODA",
    "ngspice",
    "library",
    "published bench (predicted)",
    FITTED,
    "published apnoea",
    "sign test",
)


@dataclass(frozen=True, slots=True)
class Table:
    """Every check with what came out, in the order of ``ORDER``."""

    rows: tuple[Row, ...]

    def of(self, kind: Kind) -> tuple[Row, ...]:
        """The rows of one kind."""
        return tuple(row for row in self.rows if row.kind == kind)

    def count(self, verdict: Verdict) -> int:
        """How many rows that count have this verdict."""
        return sum(row.counts and row.verdict == verdict for row in self.rows)

    @property
    def fitted(self) -> int:
        """How many figures something was fitted to."""
        return sum(not row.counts for row in self.rows)


def all_checks() -> tuple[Check, ...]:
    """The checks, not yet made, in the order of the table."""
    every = (
        *vectors_body.checks(),
        *vectors_mechanics.checks(),
        *vectors_gas.checks(),
        *closed_form_rows.checks(),
        *equations.checks(),
        *netlists.checks(),
        *libraries.checks(),
        *benches.checks(),
        *apnoea.checks(),
        *signs.checks(),
    )
    return tuple(check for kind in ORDER for check in every if check.kind == kind)


def run_checks(checks: Iterable[Check] | None = None, progress: Callable[[str, int, int], None] | None = None) -> Table:
    """Make the checks (all of them by default); those of ngspice two at a time beside the others.

    ``progress`` is called as (what, done, of) after each.
    """
    every = tuple(all_checks() if checks is None else checks)
    rows: dict[str, Row] = {}
    pool = ThreadPoolExecutor(_PROCESSES, thread_name_prefix="verify")
    try:
        outside: list[tuple[str, Future[Row]]] = [
            (check.id, pool.submit(check.run)) for check in every if "ngspice" in check.needs
        ]
        for check in every:
            if "ngspice" not in check.needs:
                rows[check.id] = check.run()
                if progress is not None:
                    progress("checks", len(rows), len(every))
        for name, waiting in outside:
            rows[name] = waiting.result()
            if progress is not None:
                progress("checks", len(rows), len(every))
    finally:
        pool.shutdown(cancel_futures=True)  # interrupted: what has not begun never does
    return Table(tuple(rows[check.id] for check in every))


def limits_of_truth(table: Table) -> tuple[NoteAnswer, ...]:
    """What the table does not show: numerical error, model error, what no source covers."""
    off = _volume_error(table, "LSODA")
    numerical = (
        f"Numerical error. Against LSODA on the same equations tidal volumes are off by {off}. This says "
        "nothing about whether the equations are right."
    )
    reading = (
        "Reading of a build. The engine adds up parts in series and keeps a limb's gas in one place; ngspice keeps "
        f"every part where it lies. Tidal volumes differ by {_volume_error(table, 'ngspice')}. Two things make "
        "up most of it, both in the ready-made builds: splitters behind the first one are counted at the flow of all "
        "behind them, and the gas of a hose beyond a one-way valve is kept with the wye. Circuits from the stock keep "
        f"both apart and differ by {_volume_error(table, 'ngspice', 'ngspice-built')}. Both sides read the same part "
        "data, typical values of low confidence: an error there is an error here."
    )
    model = (
        "Model error. A lung of a plan is one compartment with constant compliance and resistance, without effort, "
        "leak, recruitment or stress relaxation. Published benches let three figures be predicted"
        f"{_bench_error(table)}; on test lungs, with compliances that had to be guessed. Compliances spaced evenly and "
        "fitted to the bench's volume-control spread instead miss the bar. A patient is not a test lung."
    )
    uncovered = (
        "What no source covers. We know of no published measurement of shared patients that gives the mechanics of "
        "each together with what each received. Real one-way valves, restrictors, PEEP valves and ventilators "
        "(control loop, active valve, sensors) were not measured for this. Gas exchange is checked formula by formula, "
        "not in shared patients. The direction of the sign tests is the papers', their size is not."
    )
    return (
        NoteAnswer(id="numerical-error", text=numerical),
        NoteAnswer(id="reading-error", text=reading),
        NoteAnswer(id="model-error", text=model),
        NoteAnswer(id="not-covered", text=uncovered),
    )


def answer_of(table: Table) -> VerifyAnswer:
    """The table as it leaves the tool."""
    return VerifyAnswer(
        version=__version__,
        outcome="some_fail" if table.count("fail") else "all_hold",
        counts=CountsAnswer(
            passed=table.count("pass"),
            failed=table.count("fail"),
            not_run=table.count("not run"),
            fitted=table.fitted,
        ),
        checks=[_row_answer(row) for row in table.rows],
        tools=[ToolAnswer(name=tool, version=version_of(tool)) for tool in TOOLS],
        limits_of_truth=list(limits_of_truth(table)),
        cautions=caution_answers(STANDING),
    )


def _row_answer(row: Row) -> CheckRow:
    pairs = list(zip(row.expected, row.got, strict=False))
    labels = row.labels if len(row.labels) == len(pairs) else ("",) * len(pairs)
    return CheckRow(
        id=row.id,
        kind=row.kind,
        what=row.what,
        source=row.source,
        setup=row.setup,
        unit=row.unit,
        values=[
            ValueAnswer(label=label, expected=number(expected), got=number(got))
            for label, (expected, got) in zip(labels, pairs, strict=True)
        ],
        worst=row.worst,
        difference=number(row.difference),
        tolerance=ToleranceAnswer(
            absolute=row.tolerance.absolute, relative=row.tolerance.relative, side=row.tolerance.side
        ),
        verdict=row.verdict,
        counts=row.counts,
        reason=row.reason,
    )


def _volume_error(table: Table, kind: Kind, begins: str = "") -> str:
    """Largest relative difference of a tidal volume over the rows of a kind that were run, of those so named."""
    differences = [
        abs(got / expected - 1.0)
        for row in table.of(kind)
        if row.labels and row.ran and row.id.startswith(begins)
        for label, expected, got in zip(row.labels, row.expected, row.got, strict=False)
        if label.startswith("VT mL")
    ]
    return f"{100.0 * max(differences):.2g} % at most" if differences else "an amount not measured here (not run)"


def _bench_error(table: Table) -> str:
    for row in table.rows:
        if row.id == benches.BAR_ID and row.got:
            mean, largest = row.got
            return f": off by {mean:.1f} % on average, {largest:.1f} % at most"
    return ""
