"""What the app holds while it runs: the record, who is signed in, the engine, and the ward as last looked at."""

from __future__ import annotations

import hashlib
import json
import secrets
import threading
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from airyoke.exchange.ward_rows import ward_of_rows
from airyoke.quantities import Finding, Refused
from airyoke.record import Record
from airyoke.record.door import Door
from airyoke.record.passwords import Throttle
from airyoke.ward.candidates import BedAssessment, assess_ward
from airyoke.ward.rows import ward_rows
from airyoke.ward.state import WardState
from airyoke.ward.ward import Ward
from airyoke.web.demo import Ticket
from airyoke.web.engine_room import EngineRoom, Job
from airyoke.web.quick_room import QuickRoom
from airyoke.web.sessions import READ_AGAIN_S, Session, Sessions


@dataclass(frozen=True, slots=True)
class Look:
    """The ward at one entry of the record and one minute. ``key`` names what a plan depends on: it stays the same
    when only notes or plans are written. ``ward`` is ``None`` where the record has no bed or ventilator yet."""

    state: WardState
    now: datetime
    key: str
    ward: Ward | None
    assessed: tuple[BedAssessment, ...]
    findings: tuple[Finding, ...]

    def assessment(self, bed: str) -> BedAssessment | None:
        """One bed's assessment."""
        return next((one for one in self.assessed if one.bed.label == bed), None)

    @property
    def read_at(self) -> list[datetime | None]:
        """When each bed was read."""
        return [one.bed.readings.read_at for one in self.assessed if one.bed.readings is not None]


@dataclass(slots=True)
class Desk:
    """One per app."""

    record: Record
    door: Door
    engine: EngineRoom
    quick: QuickRoom = field(default_factory=QuickRoom, kw_only=True)
    study: QuickRoom = field(default_factory=QuickRoom, kw_only=True)
    """For what takes seconds: circuits, faults, sheets. Its process begins with the first of them."""
    encrypted: bool = False
    ticket: Ticket | None = None
    """Of a demonstration; then every page says that it is one."""
    demo: bool = field(init=False)
    sessions: Sessions = field(default_factory=Sessions)
    throttle: Throttle = field(default_factory=Throttle)
    _last: Look | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self.demo = self.ticket is not None

    def take_ticket(self, word: str) -> str | None:
        """Whoever the ticket lets in; it counts once."""
        with self._lock:
            ticket = self.ticket
            if ticket is None or not secrets.compare_digest(ticket.word.encode(), word.encode()):
                return None
            self.ticket = None
        return ticket.person

    @property
    def cookie(self) -> str:
        """The name of the cookie; a browser takes the prefix only on an encrypted line."""
        return "__Host-airyoke" if self.encrypted else "airyoke"

    def look(self) -> Look:
        """The ward now. Folded and checked anew only when an entry was written or the minute has changed."""
        state = self.record.state()
        now = self.record.clock().local
        with self._lock:
            last = self._last
            minute = now.replace(second=0, microsecond=0)
            if last is not None and last.state is state and last.now.replace(second=0, microsecond=0) == minute:
                return last
            self._last = look = _look(state, now, self.record.site)
        return look

    def checked(self, look: Look) -> Job | None:
        """The check that needs the engine, for this ward; asked for when it is missing."""
        if look.ward is None:
            return None
        return self.engine.ask("check", look.key, look.ward, look.now, based_on=look.state.sequence)

    def plan(self, look: Look, *, again: bool = False) -> Job | None:
        """The plan for this ward; asked for when it is missing, or ``again``."""
        if look.ward is None:
            return None
        return self.engine.ask("plan", look.key, look.ward, look.now, based_on=look.state.sequence, again=again)

    def note_reading(self, session: Session, what: str) -> None:
        """Who saw patient data goes into the audit, once in a while a page. What cannot be noted hides nothing."""
        now = self.sessions.now_s()
        if now - session.noted_s.get(what, -READ_AGAIN_S) < READ_AGAIN_S:
            return
        session.noted_s[what] = now
        try:
            self.record.write_audit("read", {"what": what[:200]}, person=session.person or "unlocked")
        except Refused:
            return


def _look(state: WardState, now: datetime, site: str) -> Look:
    rows = ward_rows(state)
    key = hashlib.sha256(json.dumps(rows, sort_keys=True, default=str).encode()).hexdigest()
    try:
        ward = ward_of_rows(rows, file=site, now=now)
    except Refused as refusal:
        return Look(state, now, key, None, (), refusal.findings)
    assessed = assess_ward(ward)
    said = {(one.id, one.bed) for one in ward.findings}
    estimated: list[Finding] = []
    for one in assessed:
        found: Any = getattr(one.lungs, "findings", ())
        estimated += [
            f for f in found
            if (f.id, f.bed) not in said and not (f.level == "ask" and f.id in one.bed.confirmed)
        ]  # fmt: skip
    return Look(state, now, key, ward, assessed, (*ward.findings, *estimated))
