"""Who is signed in, in this browser. Kept in memory: a restart of the server asks for the password again."""

from __future__ import annotations

import hashlib
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

LONGEST_S: Final = 12 * 3600.0
"""A shift (judgement): then the password is asked again."""
IDLE_S: Final = 15 * 60.0
"""After this long without a click the pages can be read, but the next entry asks for the password (judgement)."""
MOST_SESSIONS: Final = 1000
READ_AGAIN_S: Final = 15 * 60.0


@dataclass(slots=True)
class Session:
    """One browser. ``person`` is ``None`` in an unlocked record until somebody gave a name. ``token`` goes into every
    form, so that another site's page cannot send one."""

    person: str | None
    began_s: float
    used_s: float
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    noted_s: dict[str, float] = field(default_factory=dict)

    def idle(self, now_s: float) -> bool:
        """Whether the person may have walked away."""
        return now_s - self.used_s > IDLE_S


@dataclass(slots=True)
class Sessions:
    """All sessions, by the SHA-256 of the key that the browser holds: a copy of memory gives nobody a key."""

    now_s: Callable[[], float] = time.monotonic
    _by_hash: OrderedDict[str, Session] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, person: str | None) -> tuple[str, Session]:
        """A new session and the key for the browser (256 random bits)."""
        key = secrets.token_urlsafe(32)
        now = self.now_s()
        session = Session(person, now, now)
        with self._lock:
            self._by_hash[_hash(key)] = session
            while len(self._by_hash) > MOST_SESSIONS:
                self._by_hash.popitem(last=False)
        return key, session

    def find(self, key: str | None) -> Session | None:
        """The session of a key; ``None`` where there is none or its time is over."""
        if not key:
            return None
        with self._lock:
            session = self._by_hash.get(_hash(key))
            if session is not None and self.now_s() - session.began_s > LONGEST_S:
                del self._by_hash[_hash(key)]
                return None
        return session

    def end(self, key: str | None) -> None:
        """Forget a session."""
        if key:
            with self._lock:
                self._by_hash.pop(_hash(key), None)


def _hash(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()
