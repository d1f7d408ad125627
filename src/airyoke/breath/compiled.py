"""How the core is compiled, and where the machine code is kept, so that only the first run on a machine waits.

The compiler's own cache notices a change only in the file of the cached function itself, not in a helper of another
file. The folder is therefore named by everything that the machine code depends on.
"""

from __future__ import annotations

import hashlib
import os
import platform
from pathlib import Path
from typing import Any

import llvmlite
import numba
from llvmlite.binding import get_host_cpu_name

# Division as numpy does it: a check for zero at every division would keep eight lanes from dividing at once.
compiled = numba.njit(error_model="numpy")
inlined = numba.njit(error_model="numpy", forceinline=True)
pasted = numba.njit(error_model="numpy", inline="always")  # called once: compiled as part of its caller
without_lock = numba.njit(error_model="numpy", nogil=True)


def cache_key(folder: Path = Path(__file__).parent) -> str:
    """Sixteen letters that change with any source file of the core, the compiler or the processor."""
    digest = hashlib.sha256()
    for part in (numba.__version__, llvmlite.__version__, platform.python_version(), get_host_cpu_name()):
        digest.update(f"{part}\n".encode())
    for source in sorted(folder.glob("*.py")):
        digest.update(hashlib.sha256(source.read_bytes()).digest())
    return digest.hexdigest()[:16]


def cache_folder() -> Path | None:
    """The folder for this version of the core, made if needed; ``None`` where none can be written."""
    chosen = os.environ.get("NUMBA_CACHE_DIR")
    try:
        base = Path(chosen) if chosen else _user_cache() / "airyoke"
        folder = base / f"engine-{cache_key()}"
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, RuntimeError):
        return None
    return folder if os.access(folder, os.W_OK) else None


def _user_cache() -> Path:
    chosen = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return Path(chosen) if chosen else Path.home() / ".cache"


def kept(function: Any) -> Any:
    """The same compiled function, its machine code kept in :func:`cache_folder` (compiled anew where there is none)."""
    folder = cache_folder()
    if folder is None:
        return function
    config: Any = numba.core.config
    before = config.CACHE_DIR
    config.CACHE_DIR = str(folder)
    try:
        function.enable_caching()
    finally:
        config.CACHE_DIR = before
    return function
