"""`airyoke plan WARD` and `airyoke demo`."""

from __future__ import annotations

import shlex
import sys
import tempfile
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from airyoke.cli.page import page_for_stdout, print_page
from airyoke.cli.plan_page import PlanView, plan_page
from airyoke.cli.progress import Progress, engine_notice
from airyoke.cli.run import EXIT_DONE, EXIT_LEFT_OVER
from airyoke.cli.times import now_from
from airyoke.cli.wards import ward_from
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.exchange import read_ward, write_tables
from airyoke.plan.plan import Plan
from airyoke.quantities import Finding, Refused
from airyoke.ward.demo import demo_tables
from airyoke.ward.questions import plan_ward
from airyoke.ward.ward import Ward


def plan_command(
    source: Path | None, *, record: str | None, site: str | None, now: str | None, seed: int, as_json: bool,
    brief: bool, all_pairs: bool, why: str | None, site_parts: Path | None = None, keep: bool = False,
    person: str | None = None, password_file: Path | None = None
) -> int:  # fmt: skip
    """Read a ward, plan it, print; ``keep`` writes the plan down in the record it was made from.

    0 all placed, 3 somebody has no place or nobody shares.
    """
    moment = now_from(now)
    found = ward_from(source, record, site, now=moment, what="plan of the ward")
    ward = found.ward
    if keep and record is None:
        reason = "a plan is kept in a record, and this ward came from a file"
        remedy = "import it, then run airyoke plan --record RECORD --keep"
        raise Refused((Finding("keep-where", "refused", reason, remedy),))
    if site_parts is not None:
        if keep:
            reason = "a record keeps no parts of a site's own"
            remedy = "leave --site-parts out, or keep the plan as JSON"
            raise Refused((Finding("keep-site-parts", "refused", reason, remedy, column="--site-parts"),))
        ward = with_site_parts(ward, site_parts)
    plan = planned(ward, moment, seed)
    if why is not None:
        from airyoke.cli.why import explain_plan

        return explain_plan(ward, plan, why, as_json=as_json)
    if record is not None and keep:
        from airyoke.cli.record_plan import keep_plan

        keep_plan(plan, record, site, based_on=found.sequence or 0, person=person, password_file=password_file)
    _print(ward, plan, as_json=as_json, brief=brief, all_pairs=all_pairs)
    return EXIT_DONE if plan.outcome == "all_placed" else EXIT_LEFT_OVER


def with_site_parts(ward: Ward, path: Path) -> Ward:
    """The ward with the measured parts of that file in its store room. Raises ``Refused`` for a ward without a stock:
    where everything is to be had, a part of the site's own would never be taken."""
    from airyoke.exchange.site_parts import read_site_parts

    own = read_site_parts(path)
    if ward.stock is None:
        reason = "the ward has no stock sheet, so that plans are made on the usual parts, as many as are needed"
        remedy = "write down the stock, or leave --site-parts out"
        raise Refused((Finding("site-parts-without-stock", "refused", reason, remedy, column="--site-parts"),))
    return replace(ward, stock={**ward.stock, **own.stock}, own_parts=tuple(own.parts.values()))


def demo_command(to: Path | None, *, now: str | None, seed: int, as_json: bool, brief: bool) -> int:
    """Write the demo ward into a fresh place, say where, and print its plan."""
    moment = now_from(now)
    target = Path(tempfile.mkdtemp(prefix="airyoke-demo-")) / "demo-ward" if to is None else to
    write_tables(target, demo_tables(moment))  # type: ignore[arg-type]
    ward = read_ward(target, now=moment)
    plan = planned(ward, moment, seed)
    print(f"The demo ward, every figure of it made up, is in {target}", file=sys.stderr if as_json else sys.stdout)
    if not as_json:
        # Readings age: without the time that was given, the same ward is another question.
        again = ["airyoke plan", shlex.quote(str(target)), *([] if now is None else ["--now", shlex.quote(now)])]
        print(f"The same plan again: {' '.join([*again, *([f'--seed {seed}'] if seed else [])])}\n")
    _print(ward, plan, as_json=as_json, brief=brief, all_pairs=False)
    return EXIT_DONE


def planned(ward: Ward, now: datetime, seed: int) -> Plan:
    """The plan of a ward, with a line of progress on a terminal."""
    progress = Progress()
    try:
        with engine_notice():
            return plan_ward(ward, now=now, seed=seed, progress=progress)
    finally:
        progress.clear()


def _print(ward: Ward, plan: Plan, *, as_json: bool, brief: bool, all_pairs: bool) -> None:
    if as_json:
        print(PlanAnswer.of(plan).json_text())
        return
    page = page_for_stdout()
    plan_page(page, PlanView(ward, plan), brief=brief, all_pairs=all_pairs)
    print_page(page)
