"""`airyoke serve`: the app in a browser, on the site's record; and on the demo ward."""

from __future__ import annotations

import json
import sys
import tempfile
import webbrowser
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from airyoke.cli.run import EXIT_DONE
from airyoke.record.record import Record

if TYPE_CHECKING:
    from airyoke.web.certificate import Line
    from airyoke.web.listen import Address


def serve_command(where: str, site: str | None, address: Address, *, no_open: bool, as_json: bool) -> int:
    """Serve until Ctrl-C. With ``as_json`` one line says where, once pages are answered."""
    from airyoke.web.listen import serve

    def ready(url: str, line: Line | None) -> None:
        if as_json:
            print(json.dumps({"url": url, "record": where}), flush=True)
        else:
            print(f"Airyoke is at {url}  (Ctrl-C ends it)")
            if line is not None:
                _tell(line)
            sys.stdout.flush()
        if not no_open:
            webbrowser.open(url)

    with Record.open(where, site=site) as record:
        serve(record, address, ready=ready)
    if not as_json:
        print("Ended.", file=sys.stderr)
    return EXIT_DONE


def _tell(line: Line) -> None:
    if line.new_authority:
        print("The authority of this line is new: install it on each device that opens the app.")
    print(
        f"Authority of this line: {line.authority}\n"
        f"SHA-256, to compare before installing it: {line.fingerprint}\n"
        f"The certificate lasts until {line.until:%Y-%m-%d}; it is renewed at a start in the last two months."
    )


def serve_demo_command(*, no_open: bool) -> int:
    """Serve the demo ward from a record that is gone afterwards, signed in by a link that counts once."""
    from airyoke.web.demo import make_demo_record
    from airyoke.web.listen import Address, serve

    with tempfile.TemporaryDirectory(prefix="airyoke-demo-", ignore_cleanup_errors=True) as folder:
        record, ticket, password = make_demo_record(Path(folder), datetime.now().astimezone())

        def ready(url: str, _: Line | None) -> None:
            link = f"{url}enter/{ticket.word}"
            print(f"\nThe app on the demo ward, signed in once: {link}")
            print(f"Later: {url}, name {ticket.person}, password {password}. Ctrl-C ends it.", flush=True)
            if not no_open:
                webbrowser.open(link)

        with record:
            serve(record, Address(), ready=ready, ticket=ticket)
    return EXIT_DONE
