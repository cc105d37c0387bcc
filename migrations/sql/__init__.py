"""The named SQL files of the migrations, run as they stand."""

from __future__ import annotations

from importlib import resources

from alembic import op


def run(name: str) -> None:
    """Run one file whole, inside the migration's transaction."""
    script = resources.files("migrations.sql").joinpath(name).read_text("utf-8")
    op.get_bind().exec_driver_sql(script.replace("%", "%%"))
