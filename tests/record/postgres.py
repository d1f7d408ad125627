"""A PostgreSQL server of our own for a test run: made in a temporary folder, run without rights, thrown away."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest


def programs() -> Path:
    """Where the server's programs are; skips where they are not installed."""
    versions = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parent.name))
    if not versions:
        pytest.skip("needs PostgreSQL (Debian package postgresql)")
    return versions[-1]


@dataclass
class Server:
    """``durable``: commits wait for the disk as they must in earnest; without it tests of logic run faster."""

    durable: bool = False
    bin: Path = field(default_factory=programs)
    folder: Path = field(default_factory=lambda: Path(tempfile.mkdtemp(prefix="airyoke-pg-")))
    port: int = 0
    _made: int = 0

    def start(self) -> Server:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        if os.getuid() == 0:
            shutil.chown(self.folder, "postgres")
        self._run(
            "initdb",
            "-D",
            str(self.folder / "data"),
            "-A",
            "trust",
            "-U",
            "postgres",
            "--no-sync",
            "-E",
            "UTF8",
            "--locale=C.UTF-8",
        )
        self.up()
        self.sql("postgres", "CREATE ROLE airyoke_owner LOGIN; CREATE ROLE airyoke_app LOGIN")
        return self

    def up(self) -> None:
        sync = "" if self.durable else " -c fsync=off"
        options = f"-p {self.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={self.folder}{sync} -c restart_after_crash=on"
        self._run(
            "pg_ctl", "-D", str(self.folder / "data"), "-w", "-l", str(self.folder / "log"), "-o", options, "start"
        )

    def down(self, mode: str = "immediate") -> None:
        self._run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-m", mode, "stop")

    def stop(self) -> None:
        try:
            self.down()
        finally:
            shutil.rmtree(self.folder, ignore_errors=True)

    def kill_backend(self, pid: int) -> None:
        os.kill(pid, signal.SIGKILL)

    def database(self) -> str:
        """A new, empty database; its name."""
        self._made += 1
        name = f"ward_{self._made}"
        self.sql("postgres", f"CREATE DATABASE {name} OWNER airyoke_owner")
        return name

    def url(self, database: str, role: str = "airyoke_app") -> str:
        return f"postgresql://{role}@127.0.0.1:{self.port}/{database}"

    def sql(self, database: str, statement: str, role: str = "postgres") -> list[Any]:
        """Run statements outside the program, each by itself."""
        import psycopg

        with psycopg.connect(self.url(database, role), autocommit=True) as connection:
            result: list[Any] = []
            for one in statement.split(";"):
                if one.strip():
                    cursor = connection.execute(one)
                    result = cursor.fetchall() if cursor.description else []
            return result

    def _run(self, program: str, *arguments: str) -> None:
        user = "postgres" if os.getuid() == 0 else None
        done = (
            subprocess.run(
                [self.bin / program, *arguments],
                user=user,
                cwd="/",
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                check=False,
            )
            if program != "pg_ctl"
            else subprocess.run(
                [self.bin / program, *arguments],
                user=user,
                cwd="/",
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                check=False,
            )
        )
        assert done.returncode == 0, (
            program,
            done.stdout,
            (self.folder / "log").read_text() if (self.folder / "log").exists() else "",
        )
