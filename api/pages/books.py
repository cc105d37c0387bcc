"""Shrink, statement and value for the office: /books, and the same reports as files at /books/{report}.{csv,xlsx,pdf}.

The files are those of /v1/reports, given to a device that has signed in: the API itself takes no cookie.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

from litestar import Response
from litestar.exceptions import NotFoundException
from litestar.params import FromPath
from msgspec import Struct, structs

from api import parameters
from api.pages import asked as given
from api.pages import plots
from api.pages.remembered import Remembered
from api.pages.showing import HEADERS, Asker, Page, page
from api.pages.tabled import Tabled, tabled
from api.services import NamedFollower, NamedReader
from ledger import answers, losses, pictures, printed, statements
from ledger.answers import Cursor
from ledger.books.shrink import Basis, Grouping
from ledger.books.statement import DoesNotTie
from ledger.plants import desk
from ledger.plants.entries import Stage
from ledger.printing.tables import Report, Row, Table

#: what losses can be told apart by on the page; the stage always is
GROUPINGS = {
    "crop,size": "Crop and size",
    "stage": "Stage alone",
    "crop": "Crop",
    "size": "Size",
    "cause": "Cause",
    "crop,cause": "Crop and cause",
    "size,cause": "Size and cause",
    "month": "Month",
    "month,cause": "Month and cause",
    "place": "Place",
}
BASES = {"calendar": "What stood or came in, in this period", "cohort": "Batches that began in this period"}
STATEMENTS = {"stage": "Stage", "crop": "Crop", "size": "Size", "crop,size,stage": "Crop, size and stage"}
#: the parts of the page: what each is called, its report, its pictures
PARTS = {
    "lost": ("Lost", "shrink", ("flow", "losses")),
    "statement": ("Statement", "movement", ()),
    "value": ("Value", "value", ("value",)),
}
_SHOWN = 60
#: crop, size and stage say which group of a statement a row is of
_GROUPED = 3
_ASKS = ("show", "by", "lines", "basis", "from", "to", "crop", "size", "stage")


class Question(Struct, frozen=True, kw_only=True):
    """What the office asks of the books."""

    by: str
    lines: str
    basis: str
    since: date
    until: date
    crop: str | None
    size: str | None
    stage: str | None

    @property
    def address(self) -> str:
        """The query that asks it again."""
        names = {"from": self.since, "to": self.until}
        return given.repeated(
            by=self.by, lines=self.lines, basis=self.basis, **names, crop=self.crop, size=self.size, stage=self.stage
        )


def _question(request: Asker, cursor: Cursor) -> Question:
    today = desk.day_of(datetime.now(UTC), answers.policy_of(cursor))
    until = min(given.day(request, "to") or today, today)
    since = given.day(request, "from") or _month_before(until)
    stages = ("", *(stage.value for stage in Stage))
    return Question(
        by=given.one_of(request, "by", list(GROUPINGS)),
        lines=given.one_of(request, "lines", list(STATEMENTS)),
        basis=given.one_of(request, "basis", list(BASES)),
        since=min(since, until),
        until=until,
        crop=given.code(request, "crop"),
        size=given.code(request, "size"),
        stage=given.one_of(request, "stage", stages) or None,
    )


def _month_before(day: date) -> date:
    """The first day of the month that ended last, so that a whole month is seen."""
    return (day.replace(day=1) - timedelta(days=1)).replace(day=1)


# --- the reports -------------------------------------------------------------------------------------------------


def _shrink(cursor: Cursor, asked: Question) -> Report:
    basis: Basis = "calendar" if asked.basis == "calendar" else "cohort"
    by = parameters.chosen(Grouping, asked.by)
    found = losses.shrink_report(
        cursor, basis=basis, since=asked.since, until=asked.until, by=by, crop=asked.crop, size=asked.size
    )
    return printed.shrink(found, answers.written_at(cursor, found.as_of))


def _movement(cursor: Cursor, asked: Question) -> Report:
    by: list[Any] = asked.lines.split(",")
    found = statements.movement(
        cursor, since=asked.since, until=asked.until, by=by, crop=asked.crop, size=asked.size, stage=asked.stage
    )
    return printed.movement(found, answers.written_at(cursor, found.as_of))


def _value(cursor: Cursor, asked: Question) -> Report:
    found = statements.value(cursor, on=asked.until, crop=asked.crop, size=asked.size, stage=asked.stage)
    return printed.value(found, answers.written_at(cursor, found.as_of))


def _journal(cursor: Cursor, asked: Question) -> Report:
    found = statements.journal(cursor, since=asked.since, until=asked.until)
    return printed.journal(found, answers.written_at(cursor, found.as_of))


def _kept(cursor: Cursor, asked: Question) -> Report:
    found = answers.kept_report(cursor, since=asked.since, until=asked.until, by=["confidence"])
    return printed.promises_kept(found, answers.written_at(cursor, found.as_of))


REPORTS: dict[str, Callable[[Cursor, Question], Report]] = {
    "shrink": _shrink,
    "movement": _movement,
    "value": _value,
    "journal": _journal,
    "promises-kept": _kept,
}


@page("/books/{file:str}", scope="books", asks=_ASKS)
def get_file(request: Asker, reader: NamedReader, follower: NamedFollower, file: FromPath[str]) -> Response[bytes]:
    """A report as a file to keep."""
    name, _, ending = file.rpartition(".")
    kind = next((kind for kind in printed.FORMATS if kind == ending), None)
    if name not in REPORTS or kind is None:
        raise NotFoundException(f"there is no report {file[:60]}: {', '.join(REPORTS)} as {', '.join(printed.FORMATS)}")
    follower.catch_up()
    with reader.look() as cursor:
        report = REPORTS[name](cursor, _question(request, cursor))
    headers = {**HEADERS, "Content-Disposition": f'attachment; filename="{report.name}.{kind}"'}
    return Response(printed.as_bytes(report, kind), media_type=printed.MEDIA_TYPES[kind], headers=headers)


# --- the page ----------------------------------------------------------------------------------------------------


@page("/books", scope="books", asks=_ASKS)
def get_books(request: Asker, reader: NamedReader, follower: NamedFollower) -> Page:
    """What was lost, what came in and went out, what stands and what it is worth."""
    follower.catch_up()
    show = given.one_of(request, "show", list(PARTS))
    _, name, pictured = PARTS[show]
    with reader.look() as cursor:
        asked = _question(request, cursor)
        at = pictures.as_of(cursor)
        narrowed = {"from": asked.since, "to": asked.until, "crop": asked.crop}
        differences: list[str] = []
        title, groups, facts = "", list[Tabled](), list[tuple[str, str]]()
        figures, tables = list[plots.Framed](), list[Tabled]()
        try:
            report = _made(request, cursor, name, asked)
            tables, title = [tabled(table, _SHOWN) for table in report.tables], report.title
            groups = [tables[0]] if name != "movement" else [tabled(part) for part in _by_group(report.tables[0])][:_SHOWN]
            facts = [("Of", BASES[asked.basis]), *_facts(report)] if name == "shrink" else _facts(report)
            figures = [_figure(request, cursor, picture, narrowed) for picture in pictured]
        except DoesNotTie as error:
            differences = error.differences
    shows = {
        "asked": asked,
        "show": show,
        "parts": {part: words for part, (words, _, _) in PARTS.items()},
        "report": name,
        "groupings": GROUPINGS,
        "bases": BASES,
        "statements": STATEMENTS,
        "stages": {stage.value: pictures.STAGES[stage.value] for stage in Stage},
        "report_title": title,
        "groups": groups,
        "tables": tables,
        "facts": facts,
        "differences": differences,
        "figures": figures,
        "formats": printed.FORMATS,
        "as_of": at,
    }
    return Page(template="books.html", title="Shrink and value", shows=shows)


def _made(request: Asker, cursor: Cursor, name: str, asked: Question) -> Report:
    """A report made before, if the ledger did not go on, or now."""
    remembered: Remembered = request.app.state["remembered"]
    return remembered.get((name, pictures.as_of(cursor), asked), lambda: REPORTS[name](cursor, asked))


def _figure(request: Asker, cursor: Cursor, name: str, narrowed: dict[str, Any]) -> plots.Framed:
    picture = pictures.PICTURES[name]
    query = {key: value for key, value in narrowed.items() if key in picture.narrowed_by}
    return plots.framed(request, cursor, picture, plots.asked_of(cursor, query), query)


def _by_group(table: Table) -> list[Table]:
    """A statement a group at a time: what the group is becomes the title of a table of its lines."""
    groups: dict[str, list[Row]] = {}
    for row in table.rows:
        groups.setdefault(" ".join(str(cell) for cell in row[:_GROUPED] if cell is not None), []).append(row[_GROUPED:])
    notes = table.notes
    parts = [Table(title=title, columns=table.columns[_GROUPED:], rows=rows) for title, rows in groups.items()]
    return [*parts[:-1], structs.replace(parts[-1], notes=notes)] if parts else []


def _facts(report: Report) -> list[tuple[str, str]]:
    """What is said of all rates, where they are rates."""
    wanted = ("denominator",) if report.tables[0].title == "Lost" else ("basis",)
    return [(each.column.heading, str(each.value)) for each in report.tables[0].facts if each.column.name in wanted]


HANDLERS = [get_books, get_file]
