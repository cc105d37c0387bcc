"""A bare route to measure against: it decodes the same body and answers a few bytes, and does nothing else."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Litestar, Request, Response, post

from ledger.plants.entries import Entry

_entries = msgspec.json.Decoder(Entry)


@post("/v1/entries")
async def post_entries(request: Request[Any, Any, Any]) -> Response[dict[str, str]]:
    """Decode, and say which entry it was."""
    return Response({"id": str(_entries.decode(await request.body()).id)}, status_code=201)


def create_app(_: str) -> Litestar:
    """The application, made as the real one is."""
    return Litestar([post_entries], openapi_config=None)
