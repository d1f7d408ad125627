"""The last backup and the last entries of a kind are found without reading the whole record."""

from __future__ import annotations

from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Make the index."""
    op.execute("CREATE INDEX entry_by_kind ON entry (site, stream, kind, sequence)")
