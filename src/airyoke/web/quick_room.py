"""Questions that take a few hundredths of a second, answered by a process of their own while a plan is worked out."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from airyoke.quantities import Finding, Refused
from airyoke.web.engine_process import Work
from airyoke.web.engine_room import start_process

KEPT_ANSWERS: Final = 128
LONGEST_S: Final = 300.0
"""After this long without an answer the process is ended and the question given up; a busy machine needs minutes for
what a quiet one does in seconds."""


@dataclass(slots=True)
class QuickRoom:
    """Answers one question after another; the newest answers are kept by what they depend on."""

    _answers: OrderedDict[Hashable, Any] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _process: Any = None
    _pipe: Any = None

    def ask(self, work: Work, about: Any, key: Hashable) -> Any:
        """The answer, waited for. ``key`` names everything it depends on.

        Raises :class:`airyoke.quantities.Refused` for a question that is refused, and where no answer comes.
        """
        with self._lock:
            if (work, key) in self._answers:
                return self._answers[work, key]
            kind, said = self._asked(work, about)
            if kind == "refused":
                raise Refused(said)
            if kind == "failed":
                raise _no_answer(str(said))
            self._answers[work, key] = said
            while len(self._answers) > KEPT_ANSWERS:
                self._answers.popitem(last=False)
        return said

    def warm(self, now: datetime) -> None:
        """Load the engine before the first question; what goes wrong is told by the first question."""
        with suppress(Refused):
            self.ask("warm", now, key=None)

    def close(self) -> None:
        """End the process."""
        process, self._process = self._process, None
        if process is not None:
            process.terminate()
            process.join(timeout=5.0)

    def _asked(self, work: Work, about: Any) -> tuple[str, Any]:
        try:
            if self._process is None or not self._process.is_alive():
                self._process, self._pipe = start_process("airyoke quick engine")
            self._pipe.send((work, about))
            while self._pipe.poll(LONGEST_S):
                kind, *said = self._pipe.recv()
                if kind != "progress":
                    return kind, said[0]
            reason = f"nothing came for {LONGEST_S:.0f} s"
        except (EOFError, OSError) as error:
            reason = type(error).__name__
        self.close()
        return "failed", reason


def _no_answer(reason: str) -> Refused:
    remedy = "ask again; if it stays so, start the program anew"
    return Refused((Finding("engine-no-answer", "refused", f"the engine gave no answer ({reason})", remedy),))
