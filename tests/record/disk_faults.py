"""A disk that fails on demand, inside the SQLite that the program uses.

SQLite lets a test replace the system calls of its file layer; here each replacement counts its calls and fails the
chosen one, or all from it on, with the chosen error. Nothing of the program is changed.
"""

from __future__ import annotations

import _sqlite3  # noqa: F401 - loads the library that the program uses
import ctypes
import errno
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import pytest

# Name in SQLite's table of system calls -> its C type, and what failing looks like.
_SIZE, _INT, _OFFSET, _PATH = ctypes.c_ssize_t, ctypes.c_int, ctypes.c_int64, ctypes.c_char_p
_TYPES: Final[dict[str, Any]] = {
    "pwrite64": ctypes.CFUNCTYPE(_SIZE, _INT, ctypes.c_void_p, ctypes.c_size_t, _OFFSET, use_errno=True),
    "pread64": ctypes.CFUNCTYPE(_SIZE, _INT, ctypes.c_void_p, ctypes.c_size_t, _OFFSET, use_errno=True),
    "ftruncate": ctypes.CFUNCTYPE(_INT, _INT, _OFFSET, use_errno=True),
    "open": ctypes.CFUNCTYPE(_INT, _PATH, _INT, _INT, use_errno=True),
    "unlink": ctypes.CFUNCTYPE(_INT, _PATH, use_errno=True),
}
_WRITES: Final = os.O_WRONLY | os.O_RDWR | os.O_CREAT


class _Vfs(ctypes.Structure):
    _fields_ = (
        ("iVersion", _INT), ("szOsFile", _INT), ("mxPathname", _INT), ("pNext", ctypes.c_void_p), ("zName", _PATH),
        ("pAppData", ctypes.c_void_p), *((f"x{number}", ctypes.c_void_p) for number in range(13)),
        ("xSetSystemCall", ctypes.CFUNCTYPE(_INT, ctypes.c_void_p, _PATH, ctypes.c_void_p)),
        ("xGetSystemCall", ctypes.CFUNCTYPE(ctypes.c_void_p, ctypes.c_void_p, _PATH)),
    )  # fmt: skip


def _library() -> ctypes.CDLL:
    maps = Path("/proc/self/maps")
    found = re.search(r"/\S*libsqlite3\.so\S*", maps.read_text()) if maps.exists() else None
    if found is None:
        pytest.skip("needs a Python that uses SQLite as a library of the system (Debian package libsqlite3-0)")
    return ctypes.CDLL(found.group(0))


@dataclass
class FailingDisk:
    """``fail(call, error)`` makes that system call fail: ``after`` good ones the next one, and with ``lasting`` all
    after it. ``hits`` counts what failed."""

    hits: int = 0
    calls: dict[str, int] = field(default_factory=dict)
    frozen: str = ""  # files under this folder are opened for reading only
    _call: str = ""
    _error: int = 0
    _at: int = 0
    _lasting: bool = False

    def fail(self, call: str, error: str, after: int = 0, *, lasting: bool = True) -> None:
        self._call, self._error, self._lasting = call, getattr(errno, error), lasting
        self._at = self.calls.get(call, 0) + after

    def heal(self) -> None:
        self._call = ""

    def fails_now(self, call: str) -> bool:
        number = self.calls.get(call, 0)
        self.calls[call] = number + 1
        if call != self._call or number < self._at or (number > self._at and not self._lasting):
            return False
        self.hits += 1
        return True

    @property
    def error(self) -> int:
        return self._error


@contextmanager
def failing_disk() -> Iterator[FailingDisk]:
    """The file layer of SQLite with calls that can be made to fail; as it was afterwards."""
    library = _library()
    library.sqlite3_vfs_find.restype = ctypes.POINTER(_Vfs)
    vfs = library.sqlite3_vfs_find(None)
    disk = FailingDisk()
    kept: list[Any] = []
    originals: dict[str, int] = {}
    for name, kind in _TYPES.items():
        original = vfs.contents.xGetSystemCall(vfs, name.encode())
        assert original, name
        originals[name] = original
        replacement = _replacement(name, kind, kind(original), disk)
        kept.append(replacement)
        assert vfs.contents.xSetSystemCall(vfs, name.encode(), ctypes.cast(replacement, ctypes.c_void_p)) == 0
    try:
        yield disk
    finally:
        for name, original in originals.items():
            vfs.contents.xSetSystemCall(vfs, name.encode(), original)


def _replacement(name: str, kind: Any, original: Any, disk: FailingDisk) -> Any:
    def call(*arguments: Any) -> int:
        if disk.fails_now(name):
            ctypes.set_errno(disk.error)
            return -1
        if name == "open" and disk.frozen and arguments[0].decode().startswith(disk.frozen) and arguments[1] & _WRITES:
            ctypes.set_errno(errno.EROFS)
            return -1
        result: int = original(*arguments)
        return result

    return kind(call)
