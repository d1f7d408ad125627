"""Opening the door: the app listens on an address until somebody stops it."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import uvicorn

from airyoke.quantities import Finding, Refused
from airyoke.record import Record
from airyoke.record.door import is_this_machine
from airyoke.web.app import create_app
from airyoke.web.certificate import Line, encrypted_line
from airyoke.web.demo import Ticket
from airyoke.web.guard import as_typed


@dataclass(frozen=True, slots=True)
class Address:
    """Where the app listens and what makes the line encrypted.

    ``port`` 0 takes a free one. ``called`` are further names that browsers may use. On an address that others may
    reach, ``certificate`` and ``key`` (PEM files) are taken, or a line is made and kept in ``line_folder``.
    """

    host: str = "127.0.0.1"
    port: int = 0
    called: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None
    line_folder: Path | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """What stands in the browser: never the address that means all of a machine's addresses."""
        every = self.host in ("0.0.0.0", "::", "[::]")
        return self.called if every else (self.host, *self.called)


def serve(record: Record, address: Address, *, ready: Callable[[str, Line | None], None],
          ticket: Ticket | None = None) -> None:  # fmt: skip
    """Serve until interrupted; ``ready`` is called with the address, and the line if one was made, once requests are
    taken.

    Raises :class:`airyoke.quantities.Refused` before anything listens where the address or the certificate cannot be
    used.
    """
    if (address.certificate is None) != (address.key is None):
        raise _refused("certificate-half", "a certificate and its key go together", "give both: --certificate, --key")
    if not address.names:
        raise _refused("host-every", f"{address.host} says nothing about what browsers type",
                       "name this computer with --called")  # fmt: skip
    makes_line = address.certificate is None and address.line_folder is not None and not is_this_machine(address.host)
    encrypted = makes_line or address.certificate is not None
    app = create_app(record, host=address.host, called=address.called, encrypted=encrypted, ticket=ticket)
    line = None
    certificate, key = address.certificate, address.key
    if makes_line and address.line_folder is not None:
        line = encrypted_line(address.line_folder, address.names, datetime.now().astimezone())
        certificate, key = line.certificate, line.key
    with contextlib.closing(_listening(address.host, address.port)) as door:
        try:
            config = uvicorn.Config(
                app, log_level="warning", access_log=False, server_header=False, lifespan="on",
                proxy_headers=False, timeout_graceful_shutdown=3,
                ssl_certfile=None if certificate is None else str(certificate),
                ssl_keyfile=None if key is None else str(key),
            )  # fmt: skip
            config.load()
        except OSError as error:
            raise _refused("certificate-unreadable", f"the certificate or key cannot be used: {error}",
                           "give a PEM file of each") from None  # fmt: skip
        url = f"{'https' if encrypted else 'http'}://{as_typed(address.names[0])}:{door.getsockname()[1]}/"
        server = _Server(config, lambda: ready(url, line))
        with contextlib.suppress(KeyboardInterrupt):
            server.run(sockets=[door])


class _Server(uvicorn.Server):
    """Tells when it takes requests."""

    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets=sockets)
        if self.started:
            self._ready()


def _listening(host: str, port: int) -> socket.socket:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host.strip("[]"), port, type=socket.SOCK_STREAM)[0]
        door = socket.socket(family, kind, protocol)
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        door.bind(address)
        door.listen(128)
    except (OSError, OverflowError) as error:
        raise _refused(
            "address-taken", f"{host} port {port} cannot be used: {error}", "choose another --port, or 0"
        ) from None
    return door


def _refused(finding_id: str, reason: str, remedy: str) -> Refused:
    return Refused((Finding(finding_id, "refused", reason, remedy),))
