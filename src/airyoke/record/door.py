"""On which address a record may be served, and to whom: nobody on a network without a login and an encrypted line."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass

from airyoke.quantities import Finding, Refused
from airyoke.ward.state import WardState


@dataclass(frozen=True, slots=True)
class Door:
    """How the record may be served: with a login, or unlocked, which then stands on every page as ``notice``."""

    login: bool
    notice: str | None = None


def door(host: str, *, encrypted: bool, state: WardState) -> Door:
    """The door for a server that listens on ``host`` (a name or an address, as given to the server).

    Raises :class:`airyoke.quantities.Refused` on any address that others may reach, unless people have accounts and
    the line is encrypted. An unlocked site opens without a login on this machine only.
    """
    if is_this_machine(host):
        if state.site.get("unlocked"):
            return Door(False, "This record is unlocked: whoever is at this computer may write in it.")
        return _with_login(state)
    if state.site.get("unlocked"):
        raise _refused("door-unlocked", f"the record is unlocked, and others may reach {host}",
                       "lock it, or serve it on 127.0.0.1 only")  # fmt: skip
    with_login = _with_login(state)
    if not encrypted:
        remedy = "give a certificate and its key, or a --line-folder to have them made"
        raise _refused("door-open-line", f"passwords would travel readable to {host}", remedy)
    return with_login


def _with_login(state: WardState) -> Door:
    if not state.people:
        remedy = "run airyoke record people add NAME --role keeper"
        raise _refused("door-no-keeper", "the record has no keeper yet", remedy)
    return Door(True)


def is_this_machine(host: str) -> bool:
    """Whether an address can be reached from this machine only."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host.casefold() == "localhost"


def _refused(finding_id: str, reason: str, remedy: str) -> Refused:
    return Refused((Finding(finding_id, "refused", reason, remedy),))
