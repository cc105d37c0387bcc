"""SQL lives in named files and is never built in Python: `load` reads one file into its queries by name.

A query begins with a line `-- name: words`, followed by a sentence that says what it gives.
"""

from __future__ import annotations

import re
from importlib import resources
from typing import LiteralString, cast

_HEAD = re.compile(r"^-- name: ([a-z_]+)$", re.MULTILINE)


def text(package: str, name: str) -> LiteralString:
    """A whole SQL file of a package's `sql` folder."""
    return resources.files(package).joinpath("sql", name).read_text("utf-8")


def load(package: str, name: str) -> dict[str, LiteralString]:
    """The queries of a file by name."""
    parts = _HEAD.split(text(package, name))
    return {head: cast("LiteralString", body.strip()) for head, body in zip(parts[1::2], parts[2::2], strict=True)}
