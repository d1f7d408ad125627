"""What a database says when it cannot, in words: what happened, and what to do next."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from airyoke.quantities import Finding, Refused

NOTHING_LOST: Final = "what was acknowledged before is kept"

# Primary result code of SQLite -> what it means for a ward.
_SQLITE: Final = {
    sqlite3.SQLITE_FULL: ("disk-full", "the disk is full", "free space, then write it again"),
    sqlite3.SQLITE_IOERR: ("disk-error", "the disk did not take or give the data",
                           "write on paper, check disk and cable, then write it again"),
    sqlite3.SQLITE_READONLY: ("record-read-only", "the record can only be read here",
                              "check the rights of the file and its folder"),
    sqlite3.SQLITE_PERM: ("record-no-rights", "this account may not use the record", "check the rights of the file"),
    sqlite3.SQLITE_CANTOPEN: ("record-not-opened", "the record cannot be opened",
                              "check the path, the rights of its folder, and the space on the disk"),
    sqlite3.SQLITE_BUSY: ("record-busy", "another program held the record for too long", "try again"),
    sqlite3.SQLITE_LOCKED: ("record-busy", "another program held the record for too long", "try again"),
    sqlite3.SQLITE_PROTOCOL: ("record-busy", "another program held the record for too long", "try again"),
    sqlite3.SQLITE_CORRUPT: ("record-damaged", "the record is damaged",
                             "stop writing, keep the file, restore the last backup"),
    sqlite3.SQLITE_NOTADB: ("record-foreign", "this file is no record", "check the path"),
    sqlite3.SQLITE_NOMEM: ("memory-full", "the machine has no memory left", "close programs, then write it again"),
}  # fmt: skip

_POSTGRESQL: Final = {
    "53100": ("disk-full", "the disk of the server is full", "free space there, then write it again"),
    "25006": ("record-read-only", "the server takes no writing now", "ask who keeps the server"),
    "42501": ("record-no-rights", "this account may not do that", "grant it as the guide says"),
    "28P01": ("record-no-rights", "the server refused the password", "check the address of the record"),
    "3D000": ("record-missing", "the server has no such database", "check the address of the record"),
    "40001": ("record-busy", "somebody wrote at the same moment", "try again"),
    "55P03": ("record-busy", "another program held the record for too long", "try again"),
}


@contextmanager
def told(where: str) -> Iterator[None]:
    """Turns an error of the database into a refusal in words; ``where`` is how a person calls the record."""
    try:
        yield
    except DBAPIError as error:
        raise Refused((_finding(error.orig, where),)) from error
    except PoolTimeoutError as error:
        finding = Finding("record-busy", "refused", "too many at once use the record", "try again", file=where)
        raise Refused((finding,)) from error
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise Refused((_finding(error, where),)) from error
    except OSError as error:
        reason = f"{error.strerror or type(error).__name__}; {NOTHING_LOST}"
        raise Refused(
            (Finding("disk-error", "refused", reason, "check the disk and its rights", file=where),)
        ) from error


def says_no_such_table(error: BaseException | None) -> bool:
    """Whether the database answers, but has no such table: it is somebody else's."""
    return getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_ERROR or getattr(error, "sqlstate", "") == "42P01"


def _finding(error: BaseException | None, where: str) -> Finding:
    code = getattr(error, "sqlite_errorcode", None)
    state = getattr(error, "sqlstate", None)
    if code is not None and code & 0xFF in _SQLITE:
        finding_id, reason, remedy = _SQLITE[code & 0xFF]
    elif state in _POSTGRESQL:
        finding_id, reason, remedy = _POSTGRESQL[state]
    elif isinstance(error, sqlite3.Error | UnicodeDecodeError) and code is None:  # text in the file that is none
        finding_id, reason, remedy = _SQLITE[sqlite3.SQLITE_CORRUPT]
    elif state is not None or code is not None:
        first_line = str(error).splitlines()[0] if str(error) else type(error).__name__
        finding_id, reason, remedy = "record-refused", f"the database refused: {first_line}", "verify the record"
    else:
        finding_id, reason, remedy = "record-unreachable", "the database does not answer", "check server and network"
    return Finding(finding_id, "refused", f"{reason}; {NOTHING_LOST}", remedy, file=where)
