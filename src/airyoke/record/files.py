"""Files that must be there after the power comes back."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Final

_CHUNK: Final = 1024 * 1024


def sync_file(path: Path) -> None:
    """Wait until what was written to this file is on the disk."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def sync_folder(path: Path) -> None:
    """Wait until the names in this folder are on the disk: without it a new file may be gone after a power cut."""
    if os.name == "nt":  # a folder cannot be opened there, and names are kept with the file
        return
    folder = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()
