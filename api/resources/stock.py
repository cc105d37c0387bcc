"""Plants standing, now or at any date, and the sums that prove the double entry."""

from __future__ import annotations

from datetime import datetime

from litestar.exceptions import ValidationException

from api import parameters as asked
from api.routes import reading
from api.services import NamedFollower, NamedReader
from ledger import answers


@reading("/v1/stock", scope="read", answers=answers.Stock, tag="Plant book")
def get_stock(
    reader: NamedReader,
    follower: NamedFollower,
    crop: asked.Crop = None,
    size: asked.Size = None,
    stage: asked.AtStage = None,
    place: asked.Place = None,
    at: asked.At = None,
    known_at: asked.KnownAt = None,
    limit: asked.Limit = 1000,
) -> answers.Stock:
    """Units by batch, stage and place: as they stand, or as they stood (`at`), from what was known then (`known_at`)."""
    for name, moment in (("at", at), ("known_at", known_at)):
        _has_zone(name, moment)
    if at is not None or known_at is not None:
        follower.catch_up()
    with reader.look() as cursor:
        return answers.stock(cursor, crop=crop, size=size, stage=stage, place=place, at=at, known_at=known_at, limit=limit)


def _has_zone(name: str, moment: datetime | None) -> None:
    if moment is not None and moment.tzinfo is None:
        message = "give the time with its offset, such as 2027-03-02T09:00:00+00:00"
        raise ValidationException(detail=message, extra=[{"key": name, "message": message}])


@reading("/v1/sums", scope="read", answers=answers.Sums, tag="Plant book")
def get_sums(reader: NamedReader) -> answers.Sums:
    """The sum of every unit over all accounts, which is always 0, and what the outside accounts hold."""
    with reader.look() as cursor:
        return answers.sums(cursor)


@reading("/v1/questions", scope="read", answers=answers.Questions, tag="Log")
def get_questions(reader: NamedReader) -> answers.Questions:
    """Entries that look like one job written down twice, until somebody reverses one or answers."""
    with reader.look() as cursor:
        return answers.questions(cursor)
