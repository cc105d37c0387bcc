"""A loss made smaller in a copy of the log, and what the audit says of it. The ledger itself is not touched."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path

import psycopg
from rich.console import Console
from rich.markup import escape

from ledger import proving
from ledger.log import store
from ledger.nursery import Nursery
from ledger.projections import runner
from ledger.seal import Seal

_UNITS = re.compile(rb'"type":"lost","units":([0-9]+)')


def show(conninfo: str, nursery: Nursery, seal: Seal, console: Console) -> None:
    """Sign a head, export the log, alter a loss of at least 10 plants in the copy, and have it audited."""
    proving.sign_head(conninfo, nursery, seal)
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy.log"
        with psycopg.connect(store.app_conninfo(conninfo)) as connection, runner.look(connection), copy.open("wb") as file:
            proving.export(connection, file)
        rows = copy.read_bytes().splitlines(keepends=True)
        losses = ((number, _UNITS.search(row)) for number, row in enumerate(rows))
        number, found = next((number, found) for number, found in losses if found is not None and int(found[1]) >= 10)  # noqa: PLR2004
        rows[number] = rows[number].replace(found[0], found[0].replace(found[1], found[1][:-1]))
        copy.write_bytes(b"".join(rows))
        audited = proving.audit_file(copy, seal)
    said = f"In a copy of the log a loss of {int(found[1])} plants was made {int(found[1][:-1])}. The audit says:"
    console.print(f"\n[bold]{escape(said)}[/bold]", highlight=False)
    for finding in audited.findings:
        console.print(f"    [green]→[/green] {escape(finding.detail)}", highlight=False)
