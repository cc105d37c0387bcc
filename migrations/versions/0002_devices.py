"""When each device was last heard of."""

from __future__ import annotations

from migrations.sql import run

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    run("0002_devices.up.sql")


def downgrade() -> None:
    run("0002_devices.down.sql")
