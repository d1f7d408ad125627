"""The tables of a record, the same in both databases. What makes them is ``migrations/``."""

from __future__ import annotations

from typing import Final

from sqlalchemy import Boolean, Column, Integer, MetaData, String, Table, Text

APPLICATION_ID: Final = 0x41697279
"""``Airy``: what a record says in the header of its SQLite file."""

REVISIONS: Final = ("0001", "0002", "0003")
"""Every form a record has had, oldest first. The last one is what this program writes."""

metadata: Final = MetaData()

entry_table: Final = Table(
    "entry", metadata,
    Column("site", String, primary_key=True),
    Column("stream", String, primary_key=True),
    Column("sequence", Integer, primary_key=True),
    Column("id", String, nullable=False),
    Column("kind", String, nullable=False),
    Column("hash", String, nullable=False),
    Column("line", Text, nullable=False),
)  # fmt: skip

site_table: Final = Table("site", metadata, Column("site", String, primary_key=True))

account_table: Final = Table(
    "account", metadata,
    Column("site", String, primary_key=True),
    Column("name", String, primary_key=True),
    Column("password_hash", String, nullable=False),
    Column("closed", Boolean, nullable=False),
)  # fmt: skip
