"""The server's side of the engine process: what it is asked, how far it is, what came out."""

from __future__ import annotations

import multiprocessing
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final, Literal

from airyoke.quantities import Finding
from airyoke.ward.ward import Ward
from airyoke.web.engine_process import Planning, Work, engine_main

KEPT_JOBS: Final = 12


@dataclass(slots=True)
class Job:
    """One piece of work. ``result`` is what the ward's question returns, where ``standing`` is ``done``."""

    work: Work
    about: Any
    ward: Ward | None = None
    based_on: int = 0
    standing: Literal["waiting", "running", "done", "refused", "failed", "overtaken"] = "waiting"
    what: str = ""
    done: int = 0
    of: int = 0
    result: Any = None
    findings: tuple[Finding, ...] = ()
    words: str = ""
    began_s: float = 0.0
    took_s: float = 0.0

    @property
    def ended(self) -> bool:
        """Whether nothing more will come."""
        return self.standing not in ("waiting", "running")

    @property
    def running_s(self) -> float:
        """For how long it has run, in seconds."""
        return self.took_s if self.ended or not self.began_s else time.monotonic() - self.began_s


@dataclass(slots=True)
class EngineRoom:
    """Work is done one after another. Of work of one kind that still waits only the newest is done."""

    ready: bool = False
    stopped: str = ""
    _jobs: OrderedDict[tuple[str, str], Job] = field(default_factory=OrderedDict)
    _wake: threading.Condition = field(default_factory=threading.Condition)
    _ending: bool = False
    _thread: threading.Thread | None = None
    _process: Any = None
    _pipe: Any = None
    _when_ready: Callable[[], object] = lambda: None

    def start(self, now: datetime, *, when_ready: Callable[[], object] = lambda: None) -> None:
        """Begin to make the engine ready; returns at once. ``when_ready`` is called once it is, on another thread."""
        self._when_ready = when_ready
        self._jobs["warm", ""] = Job("warm", now)
        self._thread = threading.Thread(target=self._run, name="engine room", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the process; what it was doing is lost."""
        with self._wake:
            self._ending = True
            self._wake.notify_all()
        self._stop()
        if self._thread is not None:
            self._thread.join(timeout=5.0)

    def ask(self, work: Literal["check", "plan"], key: str, ward: Ward, now: datetime, *, based_on: int = 0,
            again: bool = False) -> Job:  # fmt: skip
        """The job of this kind for this ward (``key`` names its content): the one that is there, or a new one."""
        with self._wake:
            there = self._jobs.get((work, key))
            if there is not None and not (again and there.ended):
                if there.standing != "overtaken":
                    return there
            for other in self._jobs.values():
                if other.work == work and other.standing == "waiting":
                    other.standing = "overtaken"
            job = self._jobs[work, key] = Job(work, ward if work == "check" else Planning(ward, now), ward, based_on)
            self._jobs.move_to_end((work, key))
            while len(self._jobs) > KEPT_JOBS:
                oldest = next(name for name, one in self._jobs.items() if one.ended)
                del self._jobs[oldest]
            self._wake.notify_all()
            return job

    def job(self, work: Work, key: str) -> Job | None:
        """The job that was asked, if it was."""
        with self._wake:
            return self._jobs.get((work, key))

    def last_done(self, work: Work) -> Job | None:
        """The newest job of this kind that came to its end."""
        with self._wake:
            return next((job for job in reversed(self._jobs.values()) if job.work == work and job.standing == "done"),
                        None)  # fmt: skip

    # Inside

    def _run(self) -> None:
        while True:
            with self._wake:
                self._wake.wait_for(lambda: self._ending or self._next() is not None)
                if self._ending:
                    return
                job = self._next()
                assert job is not None
                job.standing, job.began_s = "running", time.monotonic()
            self._do(job)

    def _next(self) -> Job | None:
        return next((job for job in self._jobs.values() if job.standing == "waiting"), None)

    def _do(self, job: Job) -> None:
        try:
            self._start_process()
            self._pipe.send((job.work, job.about))
            while not job.ended:
                kind, *said = self._pipe.recv()
                self._heard(job, kind, said)
        except Exception as error:  # whatever it was, the next question gets a new process
            self._stop()
            if not self._ending:
                self._end(job, "failed", words=f"the engine process ended ({type(error).__name__}); ask again")
                self.stopped = "" if self.ready else "the engine could not be made ready"

    def _heard(self, job: Job, kind: str, said: list[Any]) -> None:
        if kind == "progress":
            job.what, job.done, job.of = said
        elif kind == "done":
            if job.work == "warm":
                self.ready = True
                threading.Thread(target=self._when_ready, name="engine ready", daemon=True).start()
            job.result = said[0]
            self._end(job, "done")
        elif kind == "refused":
            job.findings = said[0]
            self._end(job, "refused")
        else:
            if job.work == "warm":
                self.stopped = said[0]
            self._end(job, "failed", words=said[0])

    def _end(self, job: Job, standing: Literal["done", "refused", "failed"], words: str = "") -> None:
        job.took_s, job.words = time.monotonic() - job.began_s, words
        job.standing = standing

    def _start_process(self) -> None:
        if self._process is None or not self._process.is_alive():
            self._process, self._pipe = start_process("airyoke engine")

    def _stop(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.terminate()
            process.join(timeout=5.0)


def start_process(name: str) -> tuple[Any, Any]:
    """A new engine process and our end of the pipe to it."""
    context = multiprocessing.get_context("spawn")  # a fork would take the server's threads and locks along
    mine, theirs = context.Pipe()
    process = context.Process(target=engine_main, args=(theirs,), name=name, daemon=True)
    process.start()
    theirs.close()
    return process, mine
