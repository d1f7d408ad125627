"""Space on the disk: a reserve that can be given back, a warning, and when writing stops so that reading goes on."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from airyoke.quantities import Finding

_MIB: Final = 1024 * 1024


@dataclass(frozen=True, slots=True)
class SpaceRules:
    """Judgements of ours, in bytes: warn below, stop writing below, and the reserve that is kept beside the record."""

    warn_below_bytes: int = 500 * _MIB
    stop_below_bytes: int = 50 * _MIB
    reserve_bytes: int = 64 * _MIB


def free_bytes(path: Path) -> int:
    """What is free on the disk of this file."""
    return shutil.disk_usage(path.absolute().parent).free


def space_finding(path: Path, rules: SpaceRules) -> Finding | None:
    """What to say about the space: ``refused`` = writing stops, ``ask`` = it runs low, ``None`` = enough."""
    free = free_bytes(path)
    if free < rules.stop_below_bytes:
        reason = f"{free // _MIB} MiB are free, writing stops below {rules.stop_below_bytes // _MIB}"
        remedy = "free space, or give the reserve back: airyoke record space --release. Reading goes on"
        return Finding("disk-nearly-full", "refused", reason, remedy, file=path.name)
    if free < rules.warn_below_bytes:
        reason = f"{free // _MIB} MiB are free on the disk of the record"
        return Finding("disk-low", "ask", reason, "free space before it runs out", file=path.name)
    return None


def reserve_of(path: Path) -> Path:
    """The file that keeps space for the worst hour."""
    return path.with_name(path.name + ".reserve")


def keep_reserve(path: Path, rules: SpaceRules) -> bool:
    """Make the reserve where it is missing and the disk has room for it; whether it is there."""
    reserve = reserve_of(path)
    if reserve.exists():
        return True
    if rules.reserve_bytes == 0:
        return False
    if free_bytes(path) < rules.warn_below_bytes + rules.reserve_bytes:
        return False
    with reserve.open("xb") as file:
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(file.fileno(), 0, rules.reserve_bytes)
        else:
            for _ in range(rules.reserve_bytes // _MIB):
                file.write(bytes(_MIB))
    return True


def release_reserve(path: Path) -> int:
    """Give the reserve back to the disk; how many bytes that were."""
    reserve = reserve_of(path)
    if not reserve.exists():
        return 0
    size = reserve.stat().st_size
    reserve.unlink()
    return size
