"""The process beside the server that compiles the engine and does what takes seconds, so that pages never wait.

It is told what to do through a pipe and answers through it; it ends when the server does.
"""

from __future__ import annotations

import signal
from collections.abc import Callable
from datetime import datetime
from multiprocessing.connection import Connection
from typing import Any, Literal

from airyoke.quantities import Refused
from airyoke.ward.ward import Ward

Work = Literal["warm", "check", "plan"]


def engine_main(pipe: Connection) -> None:
    """Work until the other end of the pipe is gone. Messages out: ``("progress", what, done, of)``,
    ``("done", result)``, ``("refused", findings)``, ``("failed", words)``."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group; the server says when to end
    while True:
        try:
            work, ward, now = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            answer: tuple[Any, ...] = ("done", _do(work, ward, now, lambda *said: pipe.send(("progress", *said))))
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


def _do(work: Work, ward: Ward | None, now: datetime, progress: Callable[[str, int, int], None]) -> Any:
    if work == "warm":
        return _warm(now)
    assert ward is not None, "only warming needs no ward"
    if work == "check":
        from airyoke.ward.candidates import assess_ward
        from airyoke.ward.questions import check_ward

        return check_ward(ward, assess_ward(ward))
    from airyoke.ward.questions import plan_ward

    return plan_ward(ward, now=now, progress=progress)


def _warm(now: datetime) -> None:
    """Breathe once for one invented bed and once for a pair: both take every kernel through the compiler."""
    from airyoke.exchange.ward_rows import ward_of_rows
    from airyoke.ward.candidates import assess_ward
    from airyoke.ward.demo import demo_tables
    from airyoke.ward.questions import check_ward, plan_ward

    tables = demo_tables(now)
    tables["beds"] = tables["beds"][:2]
    tables["ventilators"] = tables["ventilators"][:2]
    ward = ward_of_rows(tables, file="warm-up", now=now)
    check_ward(ward, assess_ward(ward))
    plan_ward(ward, now=now, draws=16)
