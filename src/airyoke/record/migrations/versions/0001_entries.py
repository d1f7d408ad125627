"""Sites and entries. The database itself refuses to change or delete an entry, or to leave a gap."""

from __future__ import annotations

from alembic import op

revision = "0001"
down_revision = None

_TABLES = (
    """
    CREATE TABLE site (site TEXT PRIMARY KEY NOT NULL CHECK (length(site) BETWEEN 1 AND 40)) {strict}
    """,
    """
    CREATE TABLE entry (
        site TEXT NOT NULL REFERENCES site (site),
        stream TEXT NOT NULL CHECK (stream IN ('ward', 'audit')),
        sequence INTEGER NOT NULL CHECK (sequence >= 1),
        id TEXT NOT NULL CHECK (length(id) BETWEEN 1 AND 64),
        kind TEXT NOT NULL,
        hash TEXT NOT NULL CHECK (length(hash) = 64),
        line TEXT NOT NULL,
        PRIMARY KEY (site, stream, sequence),
        UNIQUE (site, id)
    ) {strict}
    """,
)

_SQLITE = (
    "CREATE TRIGGER entry_is_never_changed BEFORE UPDATE ON entry "
    "BEGIN SELECT RAISE(ABORT, 'an entry is never changed'); END",
    "CREATE TRIGGER entry_is_never_deleted BEFORE DELETE ON entry "
    "BEGIN SELECT RAISE(ABORT, 'an entry is never deleted'); END",
    "CREATE TRIGGER entry_follows_the_last BEFORE INSERT ON entry "
    "WHEN NEW.sequence <> 1 + coalesce((SELECT max(sequence) FROM entry "
    "WHERE site = NEW.site AND stream = NEW.stream), 0) "
    "BEGIN SELECT RAISE(ABORT, 'an entry follows the last one'); END",
)

_POSTGRESQL = (
    """
    CREATE FUNCTION entry_is_never_changed() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION 'an entry is never changed or deleted' USING ERRCODE = 'restrict_violation'; END $$
    """,
    """
    CREATE FUNCTION entry_follows_the_last() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        IF NEW.sequence <> 1 + coalesce((SELECT max(sequence) FROM entry
                                         WHERE site = NEW.site AND stream = NEW.stream), 0) THEN
            RAISE EXCEPTION 'an entry follows the last one' USING ERRCODE = 'restrict_violation';
        END IF;
        RETURN NEW;
    END $$
    """,
    "CREATE TRIGGER entry_is_never_changed BEFORE UPDATE OR DELETE ON entry "
    "FOR EACH ROW EXECUTE FUNCTION entry_is_never_changed()",
    "CREATE TRIGGER entry_is_never_emptied BEFORE TRUNCATE ON entry "
    "FOR EACH STATEMENT EXECUTE FUNCTION entry_is_never_changed()",
    "CREATE TRIGGER entry_follows_the_last BEFORE INSERT ON entry "
    "FOR EACH ROW EXECUTE FUNCTION entry_follows_the_last()",
    "ALTER TABLE site ENABLE ROW LEVEL SECURITY",
    "ALTER TABLE site FORCE ROW LEVEL SECURITY",
    "CREATE POLICY one_site ON site USING (site = current_setting('airyoke.site', true))",
    "ALTER TABLE entry ENABLE ROW LEVEL SECURITY",
    "ALTER TABLE entry FORCE ROW LEVEL SECURITY",
    "CREATE POLICY one_site ON entry USING (site = current_setting('airyoke.site', true))",
)


def upgrade() -> None:
    """Make the tables and what guards them."""
    sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in _TABLES:
        op.execute(statement.format(strict="STRICT" if sqlite else ""))
    for statement in _SQLITE if sqlite else _POSTGRESQL:
        op.execute(statement)
