"""Alembic's environment: the connection is handed in by `ledger.log.schema`, one transaction for all migrations."""

from __future__ import annotations

from alembic import context

connection = context.config.attributes["connection"]
context.configure(connection=connection, transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
