"""What was written down, by whom and when, so that nothing of it is lost or changed unseen?

Entries on disk in a chain, people, audit, backup; two databases. What entries mean is the business of ``ward``.
"""

from airyoke.record.backup import back_up, restore
from airyoke.record.chain import Head
from airyoke.record.conflicts import Conflict
from airyoke.record.record import Record
from airyoke.record.setup import create
from airyoke.record.transfer import copy_site, export_lines, record_from_lines

__all__ = [
    "Conflict",
    "Head",
    "Record",
    "back_up",
    "copy_site",
    "create",
    "export_lines",
    "record_from_lines",
    "restore",
]
