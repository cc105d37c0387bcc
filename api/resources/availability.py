"""What a shop may offer: sellable now from counted stock, and later dates from the baseline."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from litestar import Response
from litestar.params import QueryParameter

from api import parameters as asked
from api.routes import reading
from api.services import NamedReader
from ledger import answers


@reading("/v1/availability", scope="offer", answers=answers.AvailabilityList, tag="Availability")
def get_availabilities(
    reader: NamedReader,
    crop: asked.Crop = None,
    after: Annotated[str, QueryParameter(pattern=asked.ANY_CODE, max_length=64, description="The crop to go on after.")] = "",
    limit: asked.Limit = 200,
) -> Response[answers.AvailabilityList]:
    """Every crop and size on offer. `now` is counted stock; the curve is the baseline's and claims no confidence."""
    with reader.look() as cursor:
        found = answers.availabilities(cursor, datetime.now(UTC), crop, after, limit)
    headers = {} if found.next is None else {"Link": f'</v1/availability?after={found.next}&limit={limit}>; rel="next"'}
    return Response(found, headers=headers)


@reading("/v1/availability/{crop:str}/{size:str}", scope="offer", answers=answers.Availability, tag="Availability")
def get_availability(reader: NamedReader, crop: asked.CropPath, size: asked.SizePath) -> answers.Availability:
    """One crop and size: sellable now and how that came about, then the baseline's curve."""
    with reader.look() as cursor:
        return answers.availability(cursor, crop, size, datetime.now(UTC))


@reading("/v1/availability/{crop:str}/{size:str}/ready-by", scope="offer", answers=answers.ReadyBy, tag="Availability")
def get_ready_by(
    reader: NamedReader,
    crop: asked.CropPath,
    size: asked.SizePath,
    quantity: Annotated[int, QueryParameter(ge=1, le=100_000, description="How many are wanted.")],
) -> answers.ReadyBy:
    """The earliest date for a quantity, or none. Forecasts are estimates."""
    with reader.look() as cursor:
        return answers.ready_by(cursor, crop, size, quantity, datetime.now(UTC))
