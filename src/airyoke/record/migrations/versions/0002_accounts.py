"""Accounts: the hash of a password never stands in an entry, so that an export holds none."""

from __future__ import annotations

from alembic import op

revision = "0002"
down_revision = "0001"

_TABLE = """
    CREATE TABLE account (
        site TEXT NOT NULL REFERENCES site (site),
        name TEXT NOT NULL CHECK (length(name) BETWEEN 1 AND 80),
        password_hash TEXT NOT NULL,
        closed {boolean} NOT NULL,
        PRIMARY KEY (site, name)
    ) {strict}
"""


def upgrade() -> None:
    """Make the table of accounts."""
    if op.get_bind().dialect.name == "sqlite":
        op.execute(_TABLE.format(boolean="INTEGER", strict="STRICT"))
        return
    op.execute(_TABLE.format(boolean="BOOLEAN", strict=""))
    op.execute("ALTER TABLE account ENABLE ROW LEVEL SECURITY")
    op.execute("ALTER TABLE account FORCE ROW LEVEL SECURITY")
    op.execute("CREATE POLICY one_site ON account USING (site = current_setting('airyoke.site', true))")
