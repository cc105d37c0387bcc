"""The query parameters that several resources share, each with the bounds that the answer holds it to."""

from __future__ import annotations

from datetime import date, datetime
from math import ceil
from typing import Annotated, Any, Literal, get_args
from urllib.parse import quote

from litestar.exceptions import ValidationException
from litestar.params import PathParameter, QueryParameter

from ledger.plants import numbers
from ledger.plants.entries import END, Stage

_CROP = r"^[a-z0-9]+(-[a-z0-9]+)*" + END
_CODE = r"^[A-Z][A-Z0-9]*(-[A-Z0-9]+)*" + END
_SIZE = r"^[A-Z][A-Z0-9]*" + END
_REGION = r"^[A-Za-z0-9][A-Za-z0-9 ._-]*" + END
BATCH = numbers.PATTERN
PERSON = _CROP
ORDER = r"^[A-Za-z0-9][A-Za-z0-9._:-]*" + END
#: what pages go on after: a code of any kind
ANY_CODE = r"^[A-Za-z0-9 ._:-]*" + END
#: a line of the plant book: crop, size, stage, place, batch and unit
STOCK_LINE = r"^([a-z0-9-]+/[A-Z0-9]*/[a-z-]+/[A-Z0-9-]+/[A-Z0-9a-z-]+/[A-Za-z0-9:-]+)?" + END
#: a line of a promise: the day on which it is due, the promise and the line's number
OPEN_LINE = r"^([0-9]{4}-[0-9]{2}-[0-9]{2}/[0-9a-f-]{36}/[0-9]{1,2})?" + END
PLACE = _CODE

Crop = Annotated[str | None, QueryParameter(pattern=_CROP, max_length=64, description="Only this crop.")]
Size = Annotated[str | None, QueryParameter(pattern=_SIZE, max_length=8, description="Only this pot size.")]
AtStage = Annotated[Stage | None, QueryParameter(description="Only this stage.")]
Place = Annotated[str | None, QueryParameter(pattern=_CODE, max_length=16, description="Only this place.")]
Limit = Annotated[int, QueryParameter(ge=1, le=1000, description="How many at most.")]
At = Annotated[datetime | None, QueryParameter(description="As it happened up to this moment (RFC 3339).")]
KnownAt = Annotated[datetime | None, QueryParameter(name="known_at", description="As it was known at this moment (RFC 3339).")]
Since = Annotated[date | None, QueryParameter(name="from", description="First day of the period.")]
Until = Annotated[date | None, QueryParameter(name="to", description="Last day of the period; today if left out.")]

Format = Annotated[
    Literal["json", "csv", "xlsx", "pdf"],
    QueryParameter(
        description="How to answer: json, or a file. A csv is the first table only, names in its first line; a text in it that"
        " a spreadsheet could take for a formula has an apostrophe before it."
    ),
]

Confidence = Annotated[
    float | None,
    QueryParameter(ge=0.5, le=0.99, description="At this confidence instead of the policy's; read up to whole percent."),
]
Destination = Annotated[
    str | None, QueryParameter(pattern=_REGION, max_length=40, description="What is asked of plants for this region.")
]

CropPath = Annotated[str, PathParameter(pattern=_CROP, max_length=64)]
SizePath = Annotated[str, PathParameter(pattern=_SIZE, max_length=8)]
BatchPath = Annotated[str, PathParameter(pattern=BATCH, max_length=12)]
StockPlantPath = Annotated[str, PathParameter(pattern=_CODE, max_length=24)]


def named(words: Any) -> str:
    """A closed list of words, for people."""
    return ", ".join(get_args(words))


def any_of(words: Any) -> str:
    """The pattern of some of a closed list of words, with commas."""
    one = "|".join(get_args(words))
    return rf"^({one})(,({one})){{0,{len(get_args(words)) - 1}}}" + END


def chosen(words: Any, by: str) -> list[Any]:
    """Those of the words that were asked for, in the order of the list."""
    return [name for name in get_args(words) if name in by.split(",")]


def percent(confidence: float | None) -> int | None:
    """A confidence in whole percent, never less than was asked for."""
    return None if confidence is None else ceil(round(confidence * 100, 6))


def escaped(value: object) -> str:
    """A value as it may stand in an address."""
    return quote(str(value), safe="")


def kept(**narrowed: object) -> str:
    """What an address that leads on repeats of the question: all that was given."""
    return "".join(f"&{name}={escaped(value)}" for name, value in narrowed.items() if value is not None)


def has_zone(name: str, moment: datetime | None) -> None:
    """Refuse a time without its offset: it could be any of twenty-six hours."""
    if moment is not None and moment.tzinfo is None:
        message = "give the time with its offset, such as 2027-03-02T09:00:00+00:00"
        raise ValidationException(detail=message, extra=[{"key": name, "message": message}])
