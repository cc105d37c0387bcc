"""What promises ask the crew to pot. Issuing a list and answering its lines are entries: post them to /v1/entries."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from litestar.params import QueryParameter

from api.routes import reading
from api.services import NamedReader
from ledger import answers


@reading("/v1/potting-list", scope="read", answers=answers.PottingAnswer, tag="Potting")
def get_potting_list(
    reader: NamedReader,
    day: Annotated[
        date | None,
        QueryParameter(description="The day of potting; left out: the next one asked for, or else the last one issued."),
    ] = None,
) -> answers.PottingAnswer:
    """The potting that promises ask for on a day: as it stands so far, or as it was issued, with the crew's answers.

    Post a `potting-issued` entry to close the list of a day (it chooses the plugs, the longest held first; later promises ask
    for the next day), and for each of its lines the `potted` entries and a `potting-answered` entry that says as many, in
    one call if you like. The answer comes back to the promises.
    """
    with reader.look() as cursor:
        return answers.potting(cursor, day)
