"""A simulated power cut: what the program really asked of the disk, replayed up to any moment, with everything that the
disk had not confirmed lost, kept, torn or in another order.

The real program runs under ``strace``; its writes, syncs, cuts, makings and removals of files are recorded in order.
Rules of the simulated disk: a sync of a file makes all earlier writes to it stay; of later ones any subset of sectors
may have arrived; a new, other or removed name stays so once its folder was synced. The index of the log (``-shm``) is never
there after a cut: it is memory, not a file.
"""

from __future__ import annotations

import random
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

CALLS: Final = "openat,pwrite64,write,ftruncate,fsync,fdatasync,unlink,rename"
_LINE: Final = re.compile(r"^(?:\[pid +\d+\] |\d+ +)?(\w+)\((.*)\) += (-?\d+)")
_FD: Final = re.compile(r"^(\d+)<((?:\\x[0-9a-f]{2})*)>(?:\(deleted\))?,? ?")
_TEXT: Final = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
SECTORS: Final = (512, 4096)


@dataclass(frozen=True, slots=True)
class Event:
    """One thing asked of the disk, or an acknowledgement (``ack``, with the sequence that was acknowledged)."""

    what: Literal["make", "write", "cut", "sync", "sync names", "remove", "rename", "ack"]
    path: str = ""
    offset: int = 0
    data: bytes = b""


def record_writer(folder: Path, arguments: list[str]) -> list[Event]:
    """Run ``python -m record.power_writer`` under strace and give back what it asked of the disk."""
    trace = folder.parent / f"{folder.name}.trace"
    trace.unlink(missing_ok=True)
    command = ["strace", "-f", "-y", "-xx", "-s", "1000000", "-o", str(trace), "-e", f"trace={CALLS}",
               sys.executable, "-m", "record.power_writer", *arguments]  # fmt: skip
    done = subprocess.run(command, cwd=Path(__file__).parents[1], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return list(_events(trace.read_text("ascii").splitlines(), str(folder)))


def _bytes(hexed: str) -> bytes:
    return bytes.fromhex(hexed.replace("\\x", ""))


def _events(lines: list[str], folder: str) -> Iterator[Event]:
    ends: dict[str, int] = {}  # of files that are written from beginning to end, without a place
    for line in lines:
        assert "unfinished" not in line, "two threads at once: the order of the trace is not that of the disk"
        match = _LINE.match(line)
        if match is None or int(match.group(3)) < 0:
            continue
        call, rest = match.group(1), match.group(2)
        if call == "openat":
            path = _bytes(_TEXT.findall(rest)[0]).decode()
            if path.startswith(folder) and "O_CREAT" in rest:
                ends[path] = 0
                yield Event("make", path)
            continue
        if call in ("unlink", "rename"):
            names = [_bytes(one).decode() for one in _TEXT.findall(rest)]
            if names[0].startswith(folder):
                yield (
                    Event("remove", names[0]) if call == "unlink" else Event("rename", names[0], data=names[1].encode())
                )
            continue
        fd = _FD.match(rest)
        if fd is None:
            continue
        path = _bytes(fd.group(2)).decode(errors="replace")
        if call == "write" and fd.group(1) == "1":
            words = _bytes(_TEXT.findall(rest)[0]).decode().split()
            if words[:1] == ["ack"]:
                yield Event("ack", offset=int(words[1]), data=words[2].encode())
            continue
        if not path.startswith(folder):
            continue
        if call in ("pwrite64", "write"):
            data = _bytes(_TEXT.findall(rest)[0])
            if call == "pwrite64":
                yield Event("write", path, int(rest.rsplit(", ", 1)[1]), data)
            else:
                yield Event("write", path, ends[path], data)
                ends[path] += len(data)
        elif call == "ftruncate":
            yield Event("cut", path, int(rest.rsplit(", ", 1)[1]))
        else:
            yield Event("sync names" if path == folder else "sync", path)


@dataclass
class _File:
    kept: bytearray
    pending: list[Event] = field(default_factory=list)
    name_is_kept: bool = True


class Disk:
    """The simulated disk: follows events, and says what may be on it if the power goes now."""

    def __init__(self, folder: Path) -> None:
        self.files = {str(path): _File(bytearray(path.read_bytes())) for path in folder.iterdir() if path.is_file()}
        self.removed: dict[str, _File] = {}
        self.renamed: dict[str, str] = {}  # new name -> old one, until the folder is synced

    def copy(self) -> Disk:
        """The same disk once more, to be followed another way."""
        other = Disk.__new__(Disk)
        other.files = {name: _File(bytearray(file.kept)) for name, file in self.files.items()}
        other.removed, other.renamed = {}, {}
        return other

    def follow(self, event: Event) -> None:
        if event.what == "make":
            self.files.setdefault(event.path, _File(bytearray(), name_is_kept=False))
        elif event.what in ("write", "cut"):
            self.files[event.path].pending.append(event)
        elif event.what == "sync":
            file = self.files[event.path]
            for one in file.pending:
                _apply(file.kept, one)
            file.pending.clear()
        elif event.what == "sync names":
            self.removed.clear()
            self.renamed.clear()
            for file in self.files.values():
                file.name_is_kept = True
        elif event.what == "remove" and event.path in self.files:
            self.removed[event.path] = self.files.pop(event.path)
        elif event.what == "rename":
            new = event.data.decode()
            self.files[new] = self.files.pop(event.path)
            self.renamed[new] = event.path

    def after_cut(self, folder: Path, dice: random.Random) -> str:
        """Write into ``folder`` what is left after a power cut now; how much that is was thrown. Returns the throw."""
        mode = dice.choice(("nothing", "everything", "a beginning", "torn 512", "torn 4096"))
        for path, file in [*self.files.items(), *self.removed.items()]:
            if path.endswith(("-shm", ".lock", ".reserve")):
                continue
            if path in self.removed and (path in self.files or dice.random() < 0.5):
                continue  # the removal had arrived
            if not file.name_is_kept and path not in self.removed and (mode == "nothing" or dice.random() < 0.5):
                continue  # the name had not arrived
            content = bytearray(file.kept)
            for one in _arrived(file.pending, mode, dice):
                _apply(content, one)
            name = path if path not in self.renamed or dice.random() < 0.5 else self.renamed[path]
            (folder / Path(name).name).write_bytes(content)
        return mode


def _apply(content: bytearray, event: Event) -> None:
    if event.what == "cut":
        del content[event.offset :]
        content.extend(bytes(event.offset - len(content)))
        return
    end = event.offset + len(event.data)
    if len(content) < event.offset:
        content.extend(bytes(event.offset - len(content)))
    content[event.offset : end] = event.data


def _arrived(pending: list[Event], mode: str, dice: random.Random) -> Iterator[Event]:
    if mode == "nothing":
        return
    if mode == "everything":
        yield from pending
        return
    if mode == "a beginning":
        yield from pending[: dice.randrange(len(pending) + 1)]
        return
    sector = int(mode.split()[1])
    share = dice.random()
    pieces = [piece for event in pending for piece in _pieces(event, sector) if dice.random() < share]
    dice.shuffle(pieces)  # another order; of one place the last to arrive wins
    yield from pieces


def _pieces(event: Event, sector: int) -> Iterator[Event]:
    if event.what == "cut":
        yield event
        return
    at = event.offset
    data = event.data
    while data:
        size = sector - at % sector
        yield Event("write", event.path, at, data[:size])
        data = data[size:]
        at += size


def fresh(folder: Path) -> Path:
    """An empty folder of that name."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    return folder
