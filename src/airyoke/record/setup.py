"""The first start: a new record with its site."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import insert, text

from airyoke.record.database import is_server, open_database, refused
from airyoke.record.forms import has_tables, make_tables
from airyoke.record.moment import Clock, system_clock
from airyoke.record.record import Record
from airyoke.record.schema import site_table
from airyoke.record.space import SpaceRules, keep_reserve
from airyoke.ward.entries import Draft

_LETTERS = frozenset("abcdefghijklmnopqrstuvwxyz0123456789-")


def create(
    where: str | Path,
    site: str,
    *,
    title: str | None = None,
    unlocked: bool = False,
    clock: Clock = system_clock,
    space: SpaceRules | None = None,
) -> Record:
    """A new record of one site, open. It has no people yet: the first to be added is its keeper.

    ``unlocked``: whoever is at this machine may write without a password; for one user on one machine. On a server
    that holds a record already this is a further site. Raises :class:`airyoke.quantities.Refused` where something is
    there already; nothing is overwritten.
    """
    check_site_name(site)
    if not is_server(str(where)) or not has_tables(str(where)):
        make_tables(where)
    add_site(where, site)
    record = Record.open(where, site=site, clock=clock, space=space)
    content = {"unlocked": unlocked, **({} if title is None else {"title": title})}
    record.write([Draft("site", content)], person="setup", seen=0)
    if record.database.path is not None:
        keep_reserve(record.database.path, record.space)
    return record


def check_site_name(site: str) -> None:
    """Raise :class:`airyoke.quantities.Refused` for a name that no site can have."""
    if not 1 <= len(site) <= 40 or not set(site) <= _LETTERS:
        raise refused("site-form", f"{site!r} is no name of a site", "1 to 40 of a-z, 0-9 and -")


def add_site(where: str | Path, site: str) -> None:
    """One more site in a record, still empty."""
    database = open_database(where)
    try:
        with database.writing(site) as connection:
            there = connection.execute(text("SELECT 1 FROM site WHERE site = :site"), {"site": site}).scalar()
            if there is not None:
                raise refused("site-there", f"the record has a site {site!r} already", "choose another name")
            connection.execute(insert(site_table).values(site=site))
    finally:
        database.close()
