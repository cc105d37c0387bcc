"""Bare routes to measure against: they decode the same body, or answer about as many bytes, and do nothing else."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Litestar, Request, Response, get, post

from ledger.plants.entries import Entry

_entries = msgspec.json.Decoder(Entry)


@post("/v1/entries")
async def post_entries(request: Request[Any, Any, Any]) -> Response[dict[str, str]]:
    """Decode, and say which entry it was."""
    return Response({"id": str(_entries.decode(await request.body()).id)}, status_code=201)


@get("/v1/availability/{crop:str}/{size:str}")
async def get_availability(crop: str, size: str) -> dict[str, Any]:
    """An answer of about the size of the real one, made of nothing."""
    stock = {"now": 3, "finished": 4, "stopped": 0, "held": 0, "promised": 0, "buffer": 1, "counted_at": None}
    step = {"on": "2027-03-01", "quantity": 3, "basis": "finished", "shared": False}
    return {"as_of": 1, "crop": crop, "size": size, "now": 3, "confidence": 0.9, "curve": [step] * 4, "stock": stock}


def create_app(_: str) -> Litestar:
    """The application, made as the real one is."""
    return Litestar([post_entries, get_availability], openapi_config=None)
