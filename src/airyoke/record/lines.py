"""An entry as a line of text, and back: canonical JSON (RFC 8785), hashed as it stands.

A line holds everything about an entry but its own hash, so that anybody can check the chain with ``sha256sum`` and a
JSON reader: the SHA-256 of one line is the ``previous`` of the next.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, Final

import rfc8785

from airyoke.quantities import Finding, Refused
from airyoke.ward.entries import Entry

FIRST: Final = "0" * 64
_LARGEST_WHOLE: Final = 2**53 - 1
_NAMES: Final = tuple(item.name for item in fields(Entry) if item.name != "hash")
_NAME_SET: Final = frozenset(_NAMES)


def canonical(content: Mapping[str, Any]) -> dict[str, Any]:
    """The content as it will be read again: 24.0 becomes 24, tuples become lists. Raises
    :class:`airyoke.quantities.Refused` for what JSON cannot hold: not a number, infinity, half a letter."""
    try:
        found: dict[str, Any] = _READER.decode(rfc8785.dumps(dict(content)).decode("utf-8"))
    except (rfc8785.CanonicalizationError, RecursionError, TypeError) as error:
        finding = Finding("entry-form", "refused", f"this cannot be written down: {error}", "type it again")
        raise Refused((finding,)) from None
    return found


def _number(digits: str) -> int | float:
    """A whole number, which is a float where it is larger than JSON numbers are exact: RFC 8785 prints both alike."""
    whole = int(digits)
    return whole if -_LARGEST_WHOLE <= whole <= _LARGEST_WHOLE else float(digits)


_READER: Final = json.JSONDecoder(parse_int=_number)


def line_of(entry: Entry) -> str:
    """The line of an entry (its ``hash`` is not in it)."""
    values = {name: getattr(entry, name) for name in _NAMES}
    return rfc8785.dumps({**values, "content": dict(entry.content)}).decode("utf-8")


def hash_of(line: str) -> str:
    """SHA-256 of the line, in hexadecimal."""
    return hashlib.sha256(line.encode("utf-8")).hexdigest()


def entry_of(line: str, line_hash: str) -> Entry:
    """The entry in a line. Raises ``ValueError`` where it is no line of a record."""
    try:
        found = _READER.decode(line)
    except RecursionError:
        raise ValueError("nested too deep for a line of a record") from None
    if not isinstance(found, dict) or found.keys() != _NAME_SET or not isinstance(found["content"], dict):
        raise ValueError("not a line of a record")
    return Entry(**found, hash=line_hash)
