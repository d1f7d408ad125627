"""Opening the door: the app listens on an address until somebody stops it."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable
from pathlib import Path

import uvicorn

from airyoke.quantities import Finding, Refused
from airyoke.record import Record
from airyoke.web.app import create_app
from airyoke.web.demo import Ticket


def serve(record: Record, *, host: str, port: int, certificate: Path | None, key: Path | None,
          ready: Callable[[str], None], ticket: Ticket | None = None) -> None:  # fmt: skip
    """Serve until interrupted; ``ready`` is called with the address once requests are taken.

    ``port`` 0 takes a free one. Raises :class:`airyoke.quantities.Refused` before anything listens where the address
    or the certificate cannot be used.
    """
    encrypted = certificate is not None and key is not None
    if (certificate is None) != (key is None):
        raise _refused("certificate-half", "a certificate and its key go together", "give both: --certificate, --key")
    app = create_app(record, host=host, encrypted=encrypted, ticket=ticket)
    with contextlib.closing(_listening(host, port)) as door:
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
        address = door.getsockname()
        shown = f"[{host}]" if ":" in host else host
        server = _Server(config, lambda: ready(f"{'https' if encrypted else 'http'}://{shown}:{address[1]}/"))
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
