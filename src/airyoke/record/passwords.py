"""Passwords: how strong one must be, how it is kept, and how guessing is slowed down without locking anybody out."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

from airyoke.quantities import Finding, Refused

SHORTEST: Final = 12
LONGEST: Final = 256
FEWEST_GUESSES_LOG10: Final = 8.0
"""Ten to this many guesses a password must stand by the estimate of ``zxcvbn`` (judgement)."""

# RFC 9106 asks for at least 64 MiB and three passes where memory is short (its second recommended option).
_MEMORY_KIB: Final = 64 * 1024
_PASSES: Final = 3
_AT_ONCE: Final = threading.BoundedSemaphore(4)
_COMMON_WORDS: Final = ["airyoke", "ventilator", "intensive", "patient", "hospital"]

FREE_TRIES: Final = 5
LONGEST_WAIT_S: Final = 60.0


def check_strength(password: str, *about: str) -> None:
    """Raise :class:`airyoke.quantities.Refused` for a password that is short or easily guessed. ``about``: names of
    person and site, which make a poor one."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise _refused("password-length", f"a password has {SHORTEST} to {LONGEST} letters", "use four or five words")
    from zxcvbn import zxcvbn

    # The estimate looks at most at this many letters; more only take time.
    found = zxcvbn(password[:72], user_inputs=[*about, *_COMMON_WORDS], max_length=72)
    if found["guesses_log10"] < FEWEST_GUESSES_LOG10:
        raise _refused("password-easy", "this password is easily guessed", "use four or five words without a sentence")


def hashed(password: str) -> str:
    """The password as it is kept: argon2id, 64 MiB, 3 passes."""
    with _AT_ONCE:
        return str(_hasher().hash(password))


def fits(password: str, kept: str | None) -> bool:
    """Whether this is the password. ``None``: there is no such account; that takes as long as if there were."""
    from argon2.exceptions import InvalidHashError, VerificationError

    with _AT_ONCE:
        try:
            return bool(_hasher().verify(_nobody() if kept is None else kept, password)) and kept is not None
        except (VerificationError, InvalidHashError):
            return False


def _hasher() -> Any:
    from argon2 import PasswordHasher

    return PasswordHasher(time_cost=_PASSES, memory_cost=_MEMORY_KIB, parallelism=1)


_NOBODY: list[str] = []


def _nobody() -> str:
    if not _NOBODY:
        _NOBODY.append(str(_hasher().hash("nobody has this password")))
    return _NOBODY[0]


@dataclass(slots=True)
class Throttle:
    """Waits that grow with wrong tries, per account and per address: 1 s after the fifth, doubling up to 60 s.

    Nobody is ever locked out: after the wait the right password is taken. ``now`` gives seconds that never go back.
    """

    now: Callable[[], float] = time.monotonic
    _tries: dict[str, tuple[int, float]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def check(self, *keys: str) -> None:
        """Raise :class:`airyoke.quantities.Refused` while one of the keys has to wait."""
        with self._lock:
            now = self.now()
            wait = max((self._tries.get(key, (0, now))[1] - now for key in keys), default=0.0)
        if wait > 0.0:
            reason = f"too many wrong tries; wait {wait:.0f} s" if wait >= 1 else "too many wrong tries; wait 1 s"
            raise _refused("sign-in-wait", reason, "nobody is locked out: then try again, or ask the keeper")

    def failed(self, *keys: str) -> None:
        """One more wrong try."""
        with self._lock:
            for key in keys:
                tries = self._tries.get(key, (0, 0.0))[0] + 1
                wait = 0.0 if tries < FREE_TRIES else min(2.0 ** min(tries - FREE_TRIES, 16), LONGEST_WAIT_S)
                self._tries[key] = (tries, self.now() + wait)

    def succeeded(self, *keys: str) -> None:
        """The right password: the count starts anew."""
        with self._lock:
            for key in keys:
                self._tries.pop(key, None)


def _refused(finding_id: str, reason: str, remedy: str) -> Refused:
    return Refused((Finding(finding_id, "refused", reason, remedy),))
