"""A process beside the server that breathes and plans, so that pages never wait for it and no fault of it ends them.

It is told what to do through a pipe and answers through it; it ends when the server does.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from multiprocessing.connection import Connection
from typing import Any, Literal

from airyoke.breath.settings import Settings
from airyoke.circuit.builds import Build
from airyoke.circuit.from_stock import BuiltCircuit
from airyoke.circuit.needs import CircuitNeeds
from airyoke.contract.case_domain import DomainCase
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.limits.answer import GroupAnswer
from airyoke.limits.curves import GroupCurves
from airyoke.lungs.patient import Patient
from airyoke.paper.material import Provenance, Running
from airyoke.plan.changes import Change
from airyoke.plan.coupling import Coupling
from airyoke.plan.plan import Alarm
from airyoke.plan.what_if import Moved, Question
from airyoke.quantities import Finding, Refused
from airyoke.ward.state import WardState
from airyoke.ward.ward import Ward
from airyoke.watch.suspicion import SuspicionRules
from airyoke.watch.watch_readings import WatchRound

Work = Literal["warm", "check", "plan", "predict", "what_if", "what_if_answer", "circuit", "sheets", "faults", "curves",
               "rehearse", "watch"]  # fmt: skip
Tell = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Planning:
    """A ward to be planned, and the time at which that is done."""

    ward: Ward
    now: datetime


@dataclass(frozen=True, slots=True)
class WhatIfQuestion:
    """What does everybody get as coupled, and what after the changes?"""

    coupling: Coupling
    changes: tuple[Change, ...]
    question: Question


@dataclass(frozen=True, slots=True)
class Side:
    """Before or after: the answer, its settings and alarm limits."""

    answer: GroupAnswer
    alarms: tuple[Alarm, ...]


@dataclass(frozen=True, slots=True)
class Compared:
    """Both sides and how far each figure moves; without the draws, which stay in the engine's process."""

    before: Side
    after: Side
    moved: tuple[Moved, ...]


@dataclass(frozen=True, slots=True)
class BreathCurves:
    """One breath as the group is saved, and after the changes (the same where there are none)."""

    before: GroupCurves
    after: GroupCurves


@dataclass(frozen=True, slots=True)
class CircuitQuestion:
    """What is to be built from this stock (``None``: nothing was counted), and what should the bench show? ``built`` is
    the circuit where a plan has chosen it already, ``parts`` what the record kept of one."""

    needs: CircuitNeeds
    stock: dict[str, int] | None
    built: BuiltCircuit | None
    parts: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class SheetsQuestion:
    """Every sheet of a plan."""

    plan: PlanAnswer
    ward: Ward
    provenance: Provenance
    running: tuple[Running, ...]


@dataclass(frozen=True, slots=True)
class RehearsalQuestion:
    """What do the readings of each alone say of this group; or, not rehearsed, what is predicted from the earlier ones?
    ``before`` is the ward when it was prepared, ``parts`` those of its circuit."""

    before: Ward
    state: WardState
    group: str
    parts: Mapping[str, int] | None
    skipped: bool


@dataclass(frozen=True, slots=True)
class WatchQuestion:
    """Who most likely changed in these patients on this build, at these settings, by these rounds?"""

    patients: tuple[Patient, ...]
    build: Build
    settings: Settings
    baseline: WatchRound
    rounds: tuple[WatchRound, ...]
    rules: SuspicionRules


def engine_main(pipe: Connection) -> None:
    """Work until the other end of the pipe is gone. In: ``(work, about)``. Out: ``("progress", what, done, of)``,
    ``("done", result)``, ``("refused", findings)``, ``("failed", words)``."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group; the server says when to end
    while True:
        try:
            work, about = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            answer: tuple[Any, ...] = ("done", _DO[work](about, lambda *said: pipe.send(("progress", *said))))
        except Refused as refusal:
            answer = ("refused", refusal.findings)
        except (BrokenPipeError, ConnectionError):
            return
        except Exception as error:
            answer = ("failed", f"{type(error).__name__}: {error}")
        try:
            pipe.send(answer)
        except (BrokenPipeError, ConnectionError):
            return


def _warm(now: datetime, _: Tell) -> None:
    """Breathe once for one invented bed and once for a pair, and a course of a leaking circuit: that takes every kernel
    through the compiler."""
    from airyoke.exchange.ward_rows import ward_of_rows
    from airyoke.ward.demo import demo_tables

    tables = demo_tables(now)
    tables["beds"] = tables["beds"][:2]
    tables["ventilators"] = tables["ventilators"][:2]
    ward = ward_of_rows(tables, file="warm-up", now=now)
    _check(ward, lambda *_: None)
    _plan(Planning(ward, now), lambda *_: None, draws=16)
    _warm_courses()


def _warm_courses() -> None:
    import numpy as np

    from airyoke.breath.course import run_course
    from airyoke.breath.engine import LungMechanics
    from airyoke.breath.settings import Settings
    from airyoke.circuit.builds import standard_build
    from airyoke.circuit.network import Element, Opening

    healthy = standard_build(2).network
    lungs = LungMechanics(*(np.full((1, 2), value) for value in (40.0, 10.0, 12.0, 0.0)))
    settings = Settings("pc", 20.0, 1.0, 8.0, pressure_above_peep_cmh2o=14.0)
    run_course(replace(healthy, openings=(Opening("wye", Element(0.0, 300.0), 0),)), settings, lungs, 3.0)


def _check(ward: Ward, _: Tell) -> Any:
    from airyoke.ward.candidates import assess_ward
    from airyoke.ward.questions import check_ward

    return check_ward(ward, assess_ward(ward))


def _plan(about: Planning, tell: Tell, draws: int = 256) -> Any:
    from airyoke.ward.questions import plan_ward

    return plan_ward(about.ward, now=about.now, progress=tell, draws=draws)


def _predict(case: DomainCase, _: Tell) -> Any:
    from airyoke.ward.questions import predict_case

    return predict_case(case.patients, case.build, case.settings, structural=case.structural, assumed=case.assumed)


def _what_if(about: WhatIfQuestion, _: Tell) -> Compared:
    from airyoke.plan.what_if import compare

    both = compare(about.coupling, about.changes, about.question)
    before, after = (Side(one.answer, one.alarms) for one in (both.before, both.after))
    return Compared(before, after, both.moved)


def _what_if_answer(about: WhatIfQuestion, _: Tell) -> Any:
    from airyoke.contract.what_if_answer import WhatIfAnswer
    from airyoke.plan.what_if import compare

    return WhatIfAnswer.of(compare(about.coupling, about.changes, about.question))


def _curves(about: WhatIfQuestion, _: Tell) -> BreathCurves:
    from airyoke.limits.curves import group_curves
    from airyoke.limits.prediction import sample_group
    from airyoke.plan.changes import apply_all
    from airyoke.plan.what_if import QUICK_DRAWS

    policy, seed = about.question.policy, about.question.seed

    def breath(one: Coupling) -> GroupCurves:
        group = sample_group(one.patients, one.fitted, policy.assumptions, QUICK_DRAWS, seed)
        return group_curves(group, one.settings, policy)

    try:
        before = breath(about.coupling)
        return BreathCurves(before, breath(apply_all(about.coupling, about.changes)) if about.changes else before)
    except ValueError as error:
        finding = Finding("curves-no-breath", "refused", f"no breath can be drawn: {error}", "look at the settings")
        raise Refused((finding,)) from None


def _circuit(about: CircuitQuestion, _: Tell) -> Any:
    from airyoke.bench_check import report_of
    from airyoke.circuit.choice import CannotBuild
    from airyoke.circuit.from_stock import build_for, circuit_of_parts

    one: BuiltCircuit | CannotBuild
    if about.built is not None:
        one = about.built
    elif about.parts:
        one = circuit_of_parts(len(about.needs.patients), dict(about.parts))
    else:
        one = build_for(about.needs, about.stock)
    return one, None if isinstance(one, CannotBuild) else report_of(one.assembly)


def _faults(about: WhatIfQuestion, _: Tell) -> Any:
    from airyoke.faults.report import report_faults
    from airyoke.web.fault_lines import fault_lines

    coupling = about.coupling
    try:
        report = report_faults(coupling.patients, coupling.fitted, coupling.settings, policy=about.question.policy)
    except ArithmeticError as error:
        remedy = "look at what each gets at these settings"
        raise Refused((Finding("faults-no-breath", "refused", str(error), remedy),)) from None
    return fault_lines(report)


def _sheets(about: SheetsQuestion, _: Tell) -> Any:
    from airyoke.paper import gather, sheets

    return sheets(gather(about.plan, about.ward, about.provenance, about.running))


def _rehearse(about: RehearsalQuestion, _: Tell) -> Any:
    """The outcome, its words, its settings and its numbers, as an entry keeps them."""
    from airyoke.ward.rehearsing import rehearsal_values, rehearse_in_ward, settings_values, skip_in_ward

    ask = skip_in_ward if about.skipped else rehearse_in_ward
    found = ask(about.before, about.state, about.group, about.parts)
    values = rehearsal_values(found, about.before.policy)
    return found.outcome, found.words, settings_values(found.settings), values


def _watch(about: WatchQuestion, _: Tell) -> Any:
    from airyoke.watch.expected import watch_group
    from airyoke.watch.suspicion import suspect

    try:
        watched = watch_group(about.patients, about.build, about.settings)
    except ArithmeticError as error:
        remedy = "look at what each gets at these settings"
        raise Refused((Finding("watch-no-breath", "refused", str(error), remedy),)) from None
    return suspect(watched, about.baseline, about.rounds, about.rules)


_DO: dict[Work, Callable[[Any, Tell], Any]] = {
    "warm": _warm, "check": _check, "plan": _plan, "predict": _predict,
    "what_if": _what_if, "what_if_answer": _what_if_answer, "circuit": _circuit,
    "sheets": _sheets, "faults": _faults, "curves": _curves, "rehearse": _rehearse, "watch": _watch,
}  # fmt: skip
