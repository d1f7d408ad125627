"""A process beside the server that breathes and plans, so that pages never wait for it and no fault of it ends them.

It is told what to do through a pipe and answers through it; it ends when the server does.
"""

from __future__ import annotations

import signal
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from multiprocessing.connection import Connection
from typing import Any, Literal

from airyoke.breath.settings import Settings
from airyoke.circuit.builds import Build
from airyoke.circuit.needs import CircuitNeeds
from airyoke.limits.policy import Policy
from airyoke.lungs.patient import Patient
from airyoke.quantities import Refused
from airyoke.ward.ward import Ward

Work = Literal["warm", "check", "plan", "predict", "circuit"]
Tell = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Planning:
    """A ward to be planned, and the time at which that is done."""

    ward: Ward
    now: datetime


@dataclass(frozen=True, slots=True)
class GroupQuestion:
    """What would these patients get through this circuit at these settings?"""

    patients: tuple[Patient, ...]
    build: Build
    settings: Settings
    policy: Policy
    hold_sensor: Literal["inspiratory", "expiratory", "wye"]


@dataclass(frozen=True, slots=True)
class CircuitQuestion:
    """What is to be built from this stock (``None``: nothing was counted), and what should the bench show?"""

    needs: CircuitNeeds
    stock: dict[str, int] | None


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
    """Breathe once for one invented bed and once for a pair: both take every kernel through the compiler."""
    from airyoke.exchange.ward_rows import ward_of_rows
    from airyoke.ward.demo import demo_tables

    tables = demo_tables(now)
    tables["beds"] = tables["beds"][:2]
    tables["ventilators"] = tables["ventilators"][:2]
    ward = ward_of_rows(tables, file="warm-up", now=now)
    _check(ward, lambda *_: None)
    _plan(Planning(ward, now), lambda *_: None, draws=16)


def _check(ward: Ward, _: Tell) -> Any:
    from airyoke.ward.candidates import assess_ward
    from airyoke.ward.questions import check_ward

    return check_ward(ward, assess_ward(ward))


def _plan(about: Planning, tell: Tell, draws: int = 256) -> Any:
    from airyoke.ward.questions import plan_ward

    return plan_ward(about.ward, now=about.now, progress=tell, draws=draws)


def _predict(about: GroupQuestion, _: Tell) -> Any:
    from airyoke.ward.questions import predict_case

    return predict_case(
        about.patients, about.build, about.settings, policy=about.policy, hold_sensor=about.hold_sensor
    )


def _circuit(about: CircuitQuestion, _: Tell) -> Any:
    from airyoke.bench_check import report_of
    from airyoke.circuit.choice import CannotBuild
    from airyoke.circuit.from_stock import builds_for

    found = builds_for((about.needs,), about.stock)
    (one,) = found.groups
    return one, found.pick_list, None if isinstance(one, CannotBuild) else report_of(one.assembly)


_DO: dict[Work, Callable[[Any, Tell], Any]] = {
    "warm": _warm, "check": _check, "plan": _plan, "predict": _predict, "circuit": _circuit,
}  # fmt: skip
