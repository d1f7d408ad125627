"""A circuit as a page of text: pick list, steps, costs, bench check; no sums here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from airyoke.bench_check import CircuitReport
from airyoke.bench_check.checks import Check
from airyoke.circuit.choice import CannotBuild, GoalReached
from airyoke.circuit.from_stock import BuiltCircuit, PickLine
from airyoke.circuit.part import Part
from airyoke.circuit.parts import LOOK
from airyoke.cli.page import Column, Page
from airyoke.contract.words import expected_words
from airyoke.quantities.cautions import Caution


def circuit_page(
    page: Page,
    report: CircuitReport,
    one: BuiltCircuit | None,
    picks: Sequence[PickLine],
    goals: Sequence[GoalReached],
    cautions: Sequence[Caution],
) -> None:
    """Everything about one circuit, in the order in which it is used at the trolley."""
    n = len(report.path.lanes)
    page.title(f"Circuit for {n} patients on one ventilator" if n > 1 else "Circuit for one patient")
    _findings(page, report)
    if one is not None:
        _picks(page, one, picks, goals)
    _use(page, report)
    _steps(page, report)
    _costs(page, report)
    _rule(page, report)
    _bench(page, report)
    _cautions(page, cautions)


def cannot_page(page: Page, one: CannotBuild, cautions: Sequence[Caution]) -> None:
    """Why it cannot be built, and what to order."""
    page.title(f"Circuit for {one.needs.size} patients on one ventilator: cannot be built from this stock")
    page.text(f"{one.reason[0].upper()}{one.reason[1:]}.", style="strong")
    page.heading("The smallest set of parts that is missing (proved)")
    page.table(
        [Column("order", right=True), Column("part"), Column("or", wrap=True)],
        [[str(count), part, ", ".join(one.others[part]) or "nothing else"] for part, count in one.missing],
    )
    _cautions(page, cautions)


def parts_page(page: Page, parts: Iterable[Part]) -> None:
    """The catalogue in one table."""
    page.title("Parts of the catalogue")
    page.text(
        "Generic kinds with typical data of low confidence: overwrite them with package data or your own measurement. "
        "Ends vary between makers; look before you push. Drop: at 30 and 60 L/min."
    )
    page.blank()
    page.table(
        [
            Column("part"),
            Column("ends"),
            Column("30", right=True),
            Column("60 cmH2O", right=True),
            Column("dead mL", right=True),
            Column("limits of use", wrap=True),
        ],
        [
            [
                part.name,
                " - ".join(one.written for one in part.ends),
                f"{part.element.drop_cmh2o(0.5):.2f}",
                f"{part.element.drop_cmh2o(1.0):.2f}",
                f"{part.dead_space_ml:g}",
                part.use,
            ]
            for part in parts
        ],
    )


def _findings(page: Page, report: CircuitReport) -> None:
    if report.findings:
        page.heading("What speaks against this circuit")
        for finding in report.findings:
            page.item(f"{finding.reason}; {finding.remedy}")
    if report.answered:
        page.heading("Answered as not right, and what it would do (test lungs at the bench settings)")
        for one in report.answered:
            page.item(f"{one.words}{_backflow(one.backflow_ml)}")
    if report.judged:
        page.heading("Readings of the bench check")
        page.table(
            [Column("check"), Column("read", right=True), Column("expected"), Column("")],
            [
                [check.id, f"{value:g}", expected_words(check, "-"), "inside" if accepted else "OUTSIDE"]
                for check, value, accepted in report.judged
            ],
        )
        if any(not accepted for _, _, accepted in report.judged):
            page.heading("Single mistakes that would read like that")
            for one in report.suspects:
                page.item(f"{one.words}{_backflow(one.backflow_ml)}")
            if not report.suspects:
                page.item("none of a single valve, filter, hose or restrictor: look at joints, leaks and the readings")


def _backflow(backflow_ml: dict[str, float]) -> str:
    back = [f"{lane} {volume:.0f} mL" for lane, volume in backflow_ml.items() if volume >= 1.0]
    return f"; flows back each breath: {', '.join(back)}" if back else ""


def _picks(page: Page, one: BuiltCircuit, picks: Sequence[PickLine], goals: Sequence[GoalReached]) -> None:
    counted = any(line.have is not None for line in picks)
    page.heading("Take from the store room" if counted else "Order or take (no stock was counted)")
    stands_in = any(line.instead for line in picks)
    columns = [Column("take", right=True), Column("of", right=True), Column("part")]
    page.table(
        columns + ([Column("instead of", wrap=True)] if stands_in else []),
        [
            [str(line.need), "-" if line.have is None else str(line.have), line.part]
            + ([line.instead] if stands_in else [])
            for line in picks
        ],
    )
    notes = dict.fromkeys(pick.option.note for pick in one.substitutes if pick.option.note)
    for note in notes:
        page.item(note)
    if all(goal.proved for goal in goals):
        page.text("Proved: no choice has fewer substitutes, then fewer parts, then less resistance and dead space.", 2)
    else:
        names = ", ".join(goal.goal for goal in goals if not goal.proved)
        page.text(f"Not proved best in the time there was: {names}.", 2)


def _use(page: Page, report: CircuitReport) -> None:
    """What limits the use of the parts taken, each kind once."""
    assembly = report.path.assembly
    uses = {part.short: part.use for part in (assembly.part(one.id) for one in assembly.pieces) if part.use != LOOK}
    if any(uses.values()):
        page.heading("Limits of use")
        for name, use in uses.items():
            if use:
                page.item(f"{name}: {use}")


def _steps(page: Page, report: CircuitReport) -> None:
    page.heading("Push together, in this order; away from patients, every patient end capped")
    page.table(
        [Column("", right=True), Column("", wrap=True), Column("", wrap=True)],
        [
            [str(one.number), one.sentence, "; ".join(word for word in (one.direction, _who(one.checked_by)) if word)]
            for one in report.steps
        ],
    )


def _who(checked_by: str) -> str:
    return "" if checked_by == "whoever builds" else checked_by


def _costs(page: Page, report: CircuitReport) -> None:
    costs, settings = report.costs, report.settings
    page.heading("What it costs")
    into, out = costs.drop_cmh2o(0.5)
    page.text(
        f"Compressible volume {costs.compliance_ml_per_cmh2o:.1f} mL/cmH2O in all. Lost at 30 L/min through each lane "
        f"(cracking included): {into:.1f} cmH2O in, {out:.1f} cmH2O out.",
        2,
    )
    page.text(
        f"With test lungs at {settings.pressure_above_peep_cmh2o:g} above {settings.peep_cmh2o:g} cmH2O, "
        f"{settings.rate_per_min:g}/min, {settings.inspiratory_time_s:g} s in:",
        2,
    )
    bare = {one.lane: one for one in report.bare}
    page.table(
        [
            Column("lane"),
            Column("test lung", right=True),
            Column("dead space", right=True),
            Column("volume", right=True),
            Column("ideal", right=True),
            Column("trapped", right=True),
            Column("back each breath without valves", right=True),
        ],
        [
            ["", "mL/cmH2O", "mL", "mL", "mL", "cmH2O", "mL"],
            *(
                [
                    cost.lane,
                    f"{lung.compliance_ml_per_cmh2o:g}",
                    f"{cost.dead_space_ml:.0f}",
                    f"{effect.tidal_volume_ml:.0f}",
                    f"{effect.ideal_tidal_volume_ml:.0f}",
                    f"{round(effect.trapped_cmh2o, 1) + 0.0:.1f}",
                    f"{bare[cost.lane].backflow_ml:.0f}" if cost.lane in bare else "-",
                ]
                for cost, effect, lung in zip(costs.lanes, report.effect, report.lungs, strict=True)
            ),
        ],
    )


def _rule(page: Page, report: CircuitReport) -> None:
    if not report.order:
        return
    page.heading("The trade's rule for ordering (common practice, no source) beside this build")
    page.table(
        [Column("item"), Column("rule", right=True), Column("build", right=True), Column("", wrap=True)],
        [[one.item, str(one.rule), str(one.build), one.why] for one in report.order],
    )


def _bench(page: Page, report: CircuitReport) -> None:
    page.heading("Bench check: before a patient is near it; it stands for 24 h or until it is opened")
    groups: dict[str, list[Check]] = {}
    for one in report.checks:
        groups.setdefault(one.do, []).append(one)
    reads = max(len(one.read) for one in report.checks)
    words = {one.id: expected_words(one, "-") for one in report.checks}
    expected = max(map(len, words.values()))
    for do, checks in groups.items():
        page.text(do, 2, 4)
        for one in checks:
            page.line(page.spelled(f"      {one.read:<{reads}}  {words[one.id]:<{expected}}  {one.id}"))


def _cautions(page: Page, cautions: Sequence[Caution]) -> None:
    page.heading("Cautions")
    for caution in cautions:
        page.item(caution.text)
