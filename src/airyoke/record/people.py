"""Accounts of a site: who may sign in, as what. Roles stand in the entries, the hash of the password beside them."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from typing import Final

from sqlalchemy import insert, select, update

from airyoke.quantities import Finding, Refused
from airyoke.record.database import refused
from airyoke.record.passwords import Throttle, check_strength, fits, hashed
from airyoke.record.record import Record
from airyoke.record.schema import account_table
from airyoke.ward.entries import Draft
from airyoke.ward.kinds import content_findings

_A: Final = account_table.c


def add_person(record: Record, name: str, roles: Sequence[str], password: str, *, by: str) -> None:
    """A new person, or other roles and a new password for one who is there. ``by`` is a keeper; the first keeper of a
    record adds herself. Raises :class:`airyoke.quantities.Refused`."""
    state = record.state()
    if not state.people and "keeper" not in roles:
        raise refused("keeper-first", "the first person of a record is its keeper", "--role keeper")
    check_strength(password, name, record.site)
    draft = Draft("person", {"name": name, "roles": list(dict.fromkeys(roles))})
    writer = by if state.people else name
    if wrong := content_findings(draft.kind, draft.content):
        raise Refused(wrong)
    record.check_may_write(writer, draft)
    kept = hashed(password)
    if name in state.people:  # what is refused about the roles leaves the password alone
        record.write([draft], person=writer, seen=state.sequence)
        _keep(record, name, kept)
    else:  # an account without roles may do nothing: a power cut between the two leaves nothing open
        _keep(record, name, kept)
        record.write([draft], person=writer, seen=state.sequence)


def remove_person(record: Record, name: str, *, by: str, reason: str | None = None) -> None:
    """Nobody signs in under this name any more; what was written under it stays."""
    state = record.state()
    if name not in state.people:
        raise refused("person-unknown", f"there is nobody called {name} here", "see: airyoke record people list")
    content = {"name": name, "roles": []} | ({} if reason is None else {"reason": reason})
    record.write([Draft("person", content)], person=by, seen=state.sequence)
    with record.database.writing(record.site) as connection:
        connection.execute(update(account_table).where(_A.site == record.site, _A.name == name).values(closed=True))


def change_password(record: Record, name: str, password: str) -> None:
    """A new password for somebody who has shown the old one, or on behalf of a keeper."""
    if name not in record.state().people:
        raise refused("person-unknown", f"there is nobody called {name} here", "see: airyoke record people list")
    check_strength(password, name, record.site)
    _keep(record, name, hashed(password))


def sign_in(record: Record, name: str, password: str, throttle: Throttle, *, address: str = "here") -> tuple[str, ...]:
    """The roles of the person who has this name and password.

    Raises :class:`airyoke.quantities.Refused` without telling whether the name or the password was wrong, and while
    the throttle waits. Each try that reached the password is an entry of the audit stream.
    """
    keys = (f"account {name}", f"address {address}")
    throttle.check(*keys)
    with record.database.reading(record.site) as connection:
        query = select(_A.password_hash).where(_A.site == record.site, _A.name == name, _A.closed.is_(False))
        kept = connection.execute(query).scalar()
    roles = record.state().people.get(name, ())
    accepted = fits(password, kept) and bool(roles)
    (throttle.succeeded if accepted else throttle.failed)(*keys)
    shown = name if name.strip() == name and name.isprintable() and 0 < len(name) <= 80 else "(not a name)"
    # A full disk keeps nobody from reading.
    with contextlib.suppress(Refused):
        record.write_audit("sign_in", {"name": shown, "accepted": accepted, "address": address}, person=shown)
    if not accepted:
        finding = Finding("sign-in-wrong", "refused", "name and password do not belong together", "try again")
        raise Refused((finding,))
    return roles


def _keep(record: Record, name: str, kept: str) -> None:
    key = (_A.site == record.site, _A.name == name)
    with record.database.writing(record.site) as connection:
        there = connection.execute(select(_A.name).where(*key)).scalar()
        if there is None:
            row = {"site": record.site, "name": name, "password_hash": kept, "closed": False}
            connection.execute(insert(account_table).values(row))
        else:
            connection.execute(update(account_table).where(*key).values(password_hash=kept, closed=False))
