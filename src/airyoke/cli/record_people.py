"""`airyoke record people …`, and how somebody shows at the terminal who is writing."""

from __future__ import annotations

import getpass
import sys
from pathlib import Path

from airyoke.cli.record import answer
from airyoke.cli.wards import open_to_read
from airyoke.contract.record_answer import PersonAnswer
from airyoke.quantities import Finding, Refused
from airyoke.record.faults import told
from airyoke.record.passwords import Throttle
from airyoke.record.people import add_person, change_password, remove_person, sign_in
from airyoke.record.record import Record


def signed_in(record: Record, name: str | None, password_file: Path | None) -> str:
    """Who writes: named by ``--as``, proved by a password, which a file holds or a person types."""
    if name is None:
        raise _refused("person-missing", "nobody is named who writes", "--as NAME")
    password = _password(f"Password of {name}: ", password_file, "--password-file")
    sign_in(record, name, password, Throttle(), address="terminal")
    return name


def writer(record: Record, name: str | None, password_file: Path | None) -> str:
    """The same; in an unlocked record the name alone."""
    if record.state().site.get("unlocked") and name is not None:
        return name
    return signed_in(record, name, password_file)


def new_password(name: str, file: Path | None) -> str:
    """A password to be: typed twice, or the first line of a file."""
    password = _password(f"New password of {name}: ", file, "--new-password-file")
    if file is None and password != getpass.getpass("The same again: "):
        raise _refused("password-differs", "the two are not the same", "type them again")
    return password


def _password(prompt: str, file: Path | None, option: str) -> str:
    if file is not None:
        with told(file.name):
            return file.read_text("utf-8", errors="replace").split("\n", 1)[0]
    if not sys.stdin.isatty():
        raise _refused("password-missing", "there is no terminal to ask for the password", f"{option} FILE")
    return getpass.getpass(prompt)


def list_command(where: str, site: str | None, *, as_json: bool) -> int:
    """Who may sign in."""
    with open_to_read(where, site) as record:
        people = [PersonAnswer(name=name, roles=list(roles)) for name, roles in record.state().people.items()]
        words = [f"{one.name}: {', '.join(one.roles)}" for one in people]
        return answer("people list", words, record, as_json=as_json, people=people)


def add_command(name: str, roles: list[str], where: str, site: str | None, *, by: str | None,
                password_file: Path | None, new_password_file: Path | None, as_json: bool) -> int:  # fmt: skip
    """A new person, or other roles."""
    with Record.open(where, site=site) as record:
        keeper = signed_in(record, by, password_file) if record.state().people else name
        add_person(record, name, roles, new_password(name, new_password_file), by=keeper)
        words = [f"{name} is {', '.join(roles)} in {record.site}."]
        return answer("people add", words, record, as_json=as_json, written=1)


def remove_command(name: str, where: str, site: str | None, *, by: str | None, password_file: Path | None,
                   as_json: bool) -> int:  # fmt: skip
    """Somebody who left."""
    with Record.open(where, site=site) as record:
        remove_person(record, name, by=signed_in(record, by, password_file))
        words = [f"{name} signs in no more; what {name} wrote stays."]
        return answer("people remove", words, record, as_json=as_json, written=1)


def password_command(name: str, where: str, site: str | None, *, by: str | None, password_file: Path | None,
                     new_password_file: Path | None, as_json: bool) -> int:  # fmt: skip
    """A new password."""
    with Record.open(where, site=site) as record:
        who = signed_in(record, by or name, password_file)
        if who != name and "keeper" not in record.state().people.get(who, ()):
            raise _refused("right-missing", f"{who} is no keeper", f"sign in as {name}, or as a keeper")
        change_password(record, name, new_password(name, new_password_file))
        return answer("people password", [f"{name} has a new password."], record, as_json=as_json)


def _refused(finding_id: str, reason: str, remedy: str) -> Refused:
    return Refused((Finding(finding_id, "refused", reason, remedy),))
