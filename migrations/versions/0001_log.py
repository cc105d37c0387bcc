"""The log, the pen, keys, and the register of projections."""

from __future__ import annotations

from migrations.sql import run

revision = "0001"
down_revision = None


def upgrade() -> None:
    run("role.sql")
    run("0001_log.up.sql")


def downgrade() -> None:
    run("0001_log.down.sql")
