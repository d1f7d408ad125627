"""Runs the steps on a connection that the caller has opened, in the caller's transaction: all of them or none."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
context.run_migrations()
