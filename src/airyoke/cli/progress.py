"""Words on stderr while something takes longer than a second, and only where somebody watches."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

QUIET_FOR_S: Final = 1.0
_CLEAR: Final = "\r\x1b[K"


@contextmanager
def engine_notice() -> Iterator[None]:
    """Say once that the engine is being made ready if the work inside takes longer than a second."""
    if not sys.stderr.isatty():
        yield
        return
    shown = threading.Event()

    def show() -> None:
        shown.set()
        words = "working; on the first run the engine is compiled, which may take a minute"
        print(f"\r{words}", end="", file=sys.stderr, flush=True)

    timer = threading.Timer(QUIET_FOR_S, show)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
        timer.join()
        if shown.is_set():
            print(_CLEAR, end="", file=sys.stderr, flush=True)


class Progress:
    """Callable as ``progress(what, done, of)``: one line that is written over, on a terminal only."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self._shown = False

    def __call__(self, what: str, done: int, of: int) -> None:
        """Show how far ``what`` is."""
        if not sys.stderr.isatty() or time.monotonic() - self._began < QUIET_FOR_S:
            return
        self._shown = True
        count = f" {done} of {of}" if of else ""
        print(f"{_CLEAR}{what}{count}", end="", file=sys.stderr, flush=True)

    def clear(self) -> None:
        """Take the line away."""
        if self._shown:
            print(_CLEAR, end="", file=sys.stderr, flush=True)
