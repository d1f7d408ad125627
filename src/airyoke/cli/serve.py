"""`airyoke serve`: the app in a browser, on the site's record."""

from __future__ import annotations

import json
import sys
import webbrowser
from pathlib import Path

from airyoke.cli.run import EXIT_DONE
from airyoke.record.record import Record


def serve_command(where: str, site: str | None, *, host: str, port: int, certificate: Path | None, key: Path | None,
                  no_open: bool, as_json: bool) -> int:  # fmt: skip
    """Serve until Ctrl-C. With ``as_json`` one line says where, once pages are answered."""
    from airyoke.web.listen import serve

    def ready(url: str) -> None:
        if as_json:
            print(json.dumps({"url": url, "record": where}), flush=True)
        else:
            print(f"Airyoke is at {url}  (Ctrl-C ends it)", flush=True)
        if not no_open:
            webbrowser.open(url)

    with Record.open(where, site=site) as record:
        serve(record, host=host, port=port, certificate=certificate, key=key, ready=ready)
    if not as_json:
        print("Ended.", file=sys.stderr)
    return EXIT_DONE
