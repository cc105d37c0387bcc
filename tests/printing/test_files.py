"""Reports as files, read back by other programs: csv, calamine for XLSX, pypdf for PDF.

Whatever stands in a cell comes back as it was, or comes back harmless; no file runs anything.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
import zipfile
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, time, timedelta, timezone
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pypdf import PdfReader
from python_calamine import CalamineWorkbook

from ledger.printing import sheets
from ledger.printing.pages import as_pdf
from ledger.printing.sheets import as_xlsx
from ledger.printing.tables import Cell, Column, Fact, Report, Row, Table, fact, shown
from ledger.printing.text import APOSTROPHE, as_csv

MOMENT = datetime(2027, 3, 2, 9, 30, tzinfo=UTC)
TEXT = Column(name="what", heading="What")
UNITS = Column(name="units", heading="Units", kind="units", unit="plants")
SHARE = Column(name="share", heading="Share", kind="share")
MONEY = Column(name="value", heading="Value", kind="money", unit="GBP")
YEN = Column(name="yen", heading="Value", kind="money", unit="JPY", places=0)
DINAR = Column(name="dinar", heading="Value", kind="money", unit="KWD", places=3)
DAY = Column(name="day", heading="Day", kind="date")
TOLD = Column(name="told", heading="Told", kind="moment")
EVERY = (TEXT, UNITS, SHARE, MONEY, YEN, DINAR, DAY, TOLD)
FACTS = (fact("from", "From", date(2027, 1, 1), "date"), fact("as_of", "As of position", 48_213, "units"))

ROW: Row = ("Ixora “Copper”, P9", -1234, 0.125, -123_456, 7, 1001, date(2027, 3, 2), MOMENT)
EMPTY: Row = (None,) * len(EVERY)

DANGEROUS = [
    "=1+1", "+1", "-1", "@SUM(1)", "\t=1", "\r=1", "\n=1", " =1", "\u00a0=1", "\ufeff=1", "\u200b=1", "\x00=1", "\x1f\x00@a",
    "\uff1d1+1", "\uff0b1", "\uff0d1", "\uff20a", "﹢1", "﹣1", "﹦1", "﹫a", "⁺1", "\u3000\uff1d1",
    '=HYPERLINK("http://127.0.0.1","x")', "=cmd|' /C calc'!A0", "{=1}", "https://127.0.0.1/a", "mailto:a@b",
]  # fmt: skip


def report(*tables: Table, title: str = "Shrink") -> Report:
    """A report of these tables."""
    return Report(title=title, name="shrink", made_at=MOMENT, tables=tables)


def table(
    columns: Sequence[Column],
    rows: Sequence[Row],
    *,
    title: str = "Lost",
    facts: tuple[Fact, ...] = FACTS,
    totals: Row | None = None,
    notes: tuple[str, ...] = (),
) -> Table:
    """A table with a period and a position."""
    return Table(title=title, columns=tuple(columns), rows=rows, facts=facts, totals=totals, notes=notes)


def csv_rows(found: Table) -> list[list[str]]:
    """A CSV read back, without its first line."""
    return list(csv.reader(io.StringIO(as_csv(found).decode("utf-8"), newline=""), strict=True))[1:]


def sheet(found: Report, name: str = "Lost") -> list[list[Any]]:
    """A sheet read back, as values."""
    return CalamineWorkbook.from_filelike(io.BytesIO(as_xlsx(found))).get_sheet_by_name(name).to_python(skip_empty_area=False)


def body(found: Report, name: str = "Lost") -> list[list[Any]]:
    """What stands under the headings of a sheet."""
    rows = sheet(found, name)
    headings = [column.whole_heading for column in found.tables[0].columns]
    at = next(at for at, row in enumerate(rows) if row[: len(headings)] == headings)
    return [row[: len(headings)] for row in rows[at + 1 :]]


def pdf(found: Report) -> PdfReader:
    """A PDF read back."""
    return PdfReader(io.BytesIO(as_pdf(found)), strict=True)


def words(reader: PdfReader) -> str:
    """All text of a PDF, blanks made one."""
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


def written(text: str) -> str:
    """A text without what can neither be UTF-8 nor XML: an oracle of its own, by category."""
    kept = (
        letter for letter in text if letter in "\t\n\r" or unicodedata.category(letter) not in ("Cc", "Cs") or ord(letter) > 126
    )
    return "".join(letter for letter in kept if letter not in "\ufffe\uffff" and unicodedata.category(letter) != "Cs")


def runs(text: str) -> bool:
    """What a spreadsheet may take for a formula, blanks before it or not."""
    bare = text.lstrip(" \t\r\n\u00a0\u3000\ufeff\u200b\u200c\u200d\u2060")
    return bare != "" and unicodedata.normalize("NFKC", bare[0])[:1] in ("=", "+", "-", "@")


# --- CSV -------------------------------------------------------------------------------------------------------


def test_a_csv_is_as_rfc_4180_has_it() -> None:
    """Names in the first line, CRLF at the end of each, quotes doubled, UTF-8 without a mark; what holds for all in each."""
    found = table((TEXT, UNITS), [('a "b", č', 1), ("two\nlines", 2)], notes=("Read this.",))
    assert as_csv(found).decode("utf-8") == (
        "what,units,from,as_of,notes\r\n"
        f'"a ""b"", č",1,2027-01-01,48213,Read this. {APOSTROPHE}\r\n'
        '"two\nlines",2,2027-01-01,48213,\r\n'
    )


def test_a_csv_has_exact_values() -> None:
    """Nothing is grouped or rounded; money in its major unit, with the places of its currency; times in UTC."""
    elsewhere = MOMENT.astimezone(timezone(timedelta(hours=5)))
    (row, empty) = csv_rows(table(EVERY, [(*ROW[:-1], elsewhere), EMPTY], facts=()))
    assert row[:-1] == ["Ixora “Copper”, P9", "-1234", "0.125", "-1234.56", "7", "1.001", "2027-03-02", "2027-03-02T09:30:00Z"]
    assert empty == [""] * (len(EVERY) + 1)


def test_negative_numbers_stay_numbers_and_texts_like_them_do_not() -> None:
    """An apostrophe before a number would make a text of it."""
    ((text, units, money, _),) = csv_rows(table((TEXT, UNITS, MONEY), [("-5", -5, -5)], facts=()))
    assert (text, units, money) == ("'-5", "-5", "-0.05")


@pytest.mark.parametrize("text", DANGEROUS[:-3])
def test_no_text_of_a_csv_is_a_formula(text: str) -> None:
    """It begins with an apostrophe, also where blanks, control characters or wide forms hide the sign; facts and notes too."""
    found = table((TEXT,), [(text,)], facts=(fact("basis", "Basis", text),), notes=(text,))
    ((cell, told, notes),) = csv_rows(found)
    assert cell == told
    assert cell.startswith("'")
    assert cell.replace("'", "") == written(text).replace("'", "")
    assert notes.startswith(cell)


@settings(max_examples=200, deadline=None)
@given(
    rows=st.lists(
        st.tuples(st.text(st.characters(), max_size=12), st.text("=+-@;\t\"' \r\n,x\uff1d\ufeff", max_size=8)), max_size=4
    )
)
@example(rows=[("a", 'x;"=1'), ("b", "x\t =1"), ("c", "x\n=1")])
def test_any_text_survives_a_csv_or_comes_back_harmless(rows: list[tuple[str, str]]) -> None:
    """Apart from apostrophes put in and what no file can hold it is the same; no sign for the end of a cell makes it run."""
    found = table((TEXT, Column(name="more", heading="More")), rows, facts=())
    for (first, second), cells in zip(rows, csv_rows(found), strict=True):
        for text, cell in zip((first, second), cells, strict=False):
            assert cell.replace("'", "") == written(text).replace("'", "")
            assert not runs(cell)
            if not re.search(r"[=+\-@\uff1d]", unicodedata.normalize("NFKC", text)) and text[:1] not in ("\t", "\r", "\n"):
                assert cell == written(text)
    for sign in ";\t":
        for line in csv.reader(io.StringIO(as_csv(found).decode("utf-8"), newline=""), delimiter=sign):
            assert not any(runs(cell) for cell in line)


@settings(deadline=None)
@given(
    units=st.integers(),
    share=st.floats(allow_nan=False, allow_infinity=False),
    money=st.integers(),
    day=st.dates(),
    told=st.datetimes(timezones=st.just(UTC)),
)
def test_any_number_and_date_survives_a_csv(units: int, share: float, money: int, day: date, told: datetime) -> None:
    """To the last digit."""
    columns = (UNITS, SHARE, MONEY, YEN, DINAR, DAY, TOLD)
    ((*cells, _),) = csv_rows(table(columns, [(units, share, money, money, money, day, told)], facts=()))
    assert int(cells[0]) == units
    assert float(cells[1]) == share
    assert [int(cell.replace(".", "")) for cell in cells[2:5]] == [money] * 3
    assert date.fromisoformat(cells[5]) == day
    assert datetime.fromisoformat(cells[6]) == told


# --- XLSX ------------------------------------------------------------------------------------------------------


def test_a_sheet_has_real_numbers_and_dates() -> None:
    """Title and facts above, headings with their units, then values of their own types; empty cells stay empty."""
    found = report(
        table(EVERY, [ROW, EMPTY], totals=("Total", -1234, None, -123_456, 7, 1001, None, None), notes=("Read this.",))
    )
    rows = sheet(found)
    assert rows[0][0] == "Shrink: Lost"
    assert [row[:2] for row in rows[1:3]] == [["From", date(2027, 1, 1)], ["As of position", 48_213]]
    first, empty, totals, *_, note = body(found)
    assert first == ["Ixora “Copper”, P9", -1234, 0.125, -1234.56, 7, 1.001, date(2027, 3, 2), MOMENT.replace(tzinfo=None)]
    assert empty == [""] * len(EVERY)
    assert totals == ["Total", -1234, "", -1234.56, 7, 1.001, "", ""]
    assert note[0] == "Read this."
    assert "Value (GBP)" in [cell for row in rows for cell in row]


def parts(found: Report) -> dict[str, str]:
    """The XML inside an XLSX."""
    with zipfile.ZipFile(io.BytesIO(as_xlsx(found))) as archive:
        return {name: archive.read(name).decode() for name in archive.namelist()}


@pytest.mark.parametrize("text", DANGEROUS)
def test_no_text_of_a_sheet_is_a_formula_or_a_link(text: str) -> None:
    """Wherever it stands: it is a string, and stays one when the cell is edited."""
    found = report(
        table(
            (Column(name="a", heading=text), TEXT),
            [(text, text)],
            title="Lost",
            facts=(fact("basis", text, text),),
            totals=(text, text),
            notes=(text,),
        ),
        title=text,
    )
    for name, content in parts(found).items():
        assert not re.search(r"<f[ >]|<hyperlink|externalLink", content), name
    kept = written(text).replace("\r", "\n")
    row = next(row for row in sheet(found)[3:] if row[:2] == [kept, kept])
    assert row
    cells = re.findall(r'<c r="B\d+" s="(\d+)" t="(?:inlineStr|s)">', parts(found)["xl/worksheets/sheet1.xml"])
    quoted = re.findall(r"<xf [^>]*>", parts(found)["xl/styles.xml"].partition("<cellXfs")[2])
    if text in DANGEROUS[:-3]:
        assert "quotePrefix" in quoted[int(cells[-1])]


@settings(max_examples=60, deadline=None)
@given(texts=st.lists(st.text(st.characters(), min_size=1, max_size=20), min_size=1, max_size=4))
@example(texts=["_x0041_", "_x000D_", " a ", "\r", "a\r\nb", "<&>", "'", "\x0b\x1b"])
def test_any_text_survives_a_sheet(texts: list[str]) -> None:
    """As a string; without what XML has no character for, and with one kind of line end."""
    found = report(table((TEXT, UNITS), [(text, 1) for text in texts], facts=()))
    assert [row[0] for row in body(found)[: len(texts)]] == [
        written(text).replace("\r\n", "\n").replace("\r", "\n") for text in texts
    ]


@settings(max_examples=60, deadline=None)
@given(
    units=st.integers(),
    share=st.floats(-1e300, 1e300, allow_subnormal=False),
    money=st.integers(),
    day=st.dates(),
    told=st.datetimes(min_value=datetime(1900, 3, 1), timezones=st.just(UTC)),  # noqa: DTZ001 - hypothesis wants it bare
)
@example(units=10**15, share=0.1, money=-(10**15), day=date(1900, 2, 28), told=MOMENT)
@example(units=10**15 - 1, share=1e-300, money=10**15 - 1, day=date(1900, 3, 1), told=MOMENT)
def test_any_number_and_date_survives_a_sheet(units: int, share: float, money: int, day: date, told: datetime) -> None:
    """As a number where a spreadsheet can hold all its digits, else as a text with all of them; dates likewise."""
    columns = (UNITS, SHARE, MONEY, YEN, DAY, TOLD)
    (row, *_) = body(report(table(columns, [(units, share, money, money, day, told)], facts=())))
    assert row[0] == (units if abs(units) < 10**15 else str(units))
    assert row[1] == pytest.approx(share, rel=1e-14)
    if abs(money) < 10**15:
        assert round(row[2] * 100) == money
        assert row[3] == money
    else:
        assert int(row[2].replace(".", "")) == int(row[3]) == money
    assert row[4] == (day if day >= date(1900, 3, 1) else day.isoformat())
    came = row[5] if isinstance(row[5], datetime) else datetime.combine(row[5], time())  # midnight comes back as a day
    assert abs(came - told.replace(tzinfo=None)) < timedelta(seconds=1)


def test_a_text_too_long_for_a_cell_is_cut_where_it_can_be_seen() -> None:
    """Rather than left out."""
    (row,) = body(report(table((TEXT,), [("x" * 40_000,)], facts=())))
    assert row[0] == "x" * (sheets.MOST_LETTERS - 1) + "…"


def test_more_rows_than_a_sheet_holds_go_on_with_another(monkeypatch: pytest.MonkeyPatch) -> None:
    """No row is lost."""
    monkeypatch.setattr(sheets, "MOST_ROWS", 3)
    found = report(table((UNITS,), [(number,) for number in range(8)], facts=()))
    assert [row[0] for name in ("Lost", "Lost (2)", "Lost (3)") for row in body(found, name)] == list(range(8))


def test_sheets_have_names_that_spreadsheets_take() -> None:
    """31 letters, some never, none twice, whatever the tables are called."""
    titles = ["Lost: by crop/size?", "lost  by crop size ", "History", "'", "x" * 60, "X" * 60, "", "[a]*"]
    book = CalamineWorkbook.from_filelike(io.BytesIO(as_xlsx(report(*(table((UNITS,), [], title=title) for title in titles)))))
    assert len({name.casefold() for name in book.sheet_names}) == len(titles)
    for name in book.sheet_names:
        assert 0 < len(name) <= 31
        assert not set(name) & set("[]:*?/\\")
        assert name.strip("'") == name
        assert name.casefold() != "history"


def test_a_sheet_is_ready_to_print_and_to_read() -> None:
    """A4 landscape, as wide as the page, headings on each; they stay in sight, and columns are as wide as what is in them."""
    rows = [("a longer name than most", 1_234_567)]
    (content,) = [each for name, each in parts(report(table((TEXT, UNITS), rows))).items() if name.endswith("sheet1.xml")]
    assert 'paperSize="9"' in content
    assert 'orientation="landscape"' in content
    assert 'fitToHeight="0"' in content
    assert 'state="frozen"' in content
    widths = [float(width) for width in re.findall(r'<col [^>]*width="([\d.]+)"', content)]
    assert widths[0] >= len(rows[0][0])
    assert widths[1] >= len("1,234,567")
    assert "_xlnm.Print_Titles" in parts(report(table((TEXT, UNITS), rows)))["xl/workbook.xml"]


# --- PDF -------------------------------------------------------------------------------------------------------


def test_a_pdf_has_title_facts_totals_and_notes() -> None:
    """Every number of the totals is found in the text, and each table has its title."""
    totals: Row = ("Total", -1_234_567, 0.125, -98_765_432, 1_234, 5_001, None, None)
    found = report(
        table(EVERY, [ROW, EMPTY], totals=totals, notes=("Read this.",)),
        table((TEXT, UNITS), [], title="Beside"),
        title="Shrink of the spring",
    )
    reader = pdf(found)
    text = words(reader)
    assert reader.metadata is not None
    assert reader.metadata.title == "Shrink of the spring"
    assert reader.metadata.creation_date == MOMENT
    for part in (
        "Shrink of the spring",
        "Lost",
        "Beside",
        "From: 2027-01-01",
        "As of position: 48,213",
        "Read this.",
        "nothing",
    ):
        assert part in text
    for part in ("Total", "-1,234,567", "12.5 %", "-987,654.32", "1,234", "5.001", "page 1 of 1"):
        assert part in text
    assert text.count("From: 2027-01-01") == 1


def test_a_long_table_goes_over_pages_with_its_headings() -> None:
    """Page n of m on each; every row is there, once, in order."""
    rows = [(f"row-{number:04}", number) for number in range(500)]
    reader = pdf(report(table((TEXT, UNITS), rows, totals=("Total", sum(range(500))))))
    pages = [" ".join(page.extract_text().split()) for page in reader.pages]
    assert len(pages) > 5
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in page
        assert page.count("Units (plants)") == 1
    assert re.findall(r"row-\d{4}", " ".join(pages)) == [row[0] for row in rows]
    assert "Total 124,750" in pages[-1]


@pytest.mark.parametrize("column", [DAY, UNITS, MONEY, TOLD])
def test_totals_say_what_they_are_in_a_column_of_any_kind(column: Column) -> None:
    """A journal begins with a date; its totals begin with a word. In a row such a word is a fault."""
    found = report(table((column, YEN), [(None, 5)], totals=("Total", 5), facts=()))
    assert body(found)[-1] == ["Total", 5]
    assert "Total 5" in words(pdf(found))
    with pytest.raises(ValueError, match="'Total' is no"):
        pdf(report(table((column, YEN), [("Total", 5)], facts=())))


def placed(page: Any) -> list[tuple[str, float]]:
    """The texts of a page, and where each begins, in points from the left."""
    found: list[tuple[str, float]] = []

    def see(text: str, _: Any, matrix: Sequence[float], *__: Any) -> None:
        if text.strip():
            found.append((text.strip(), matrix[4]))

    page.extract_text(visitor_text=see)
    return found


@pytest.mark.parametrize("columns", [3, 8, 12, 20])
def test_a_wide_table_is_turned_and_set_smaller_and_nothing_leaves_the_page(columns: int) -> None:
    """Every number is whole and within the margins, and texts are broken into lines before a number is."""
    some = tuple(Column(name=f"n{at}", heading=f"Number {at}", kind="money", unit="GBP") for at in range(columns))
    row: Row = ("a text of several words that does not fit " * 3, *(-123_456_789 - at for at in range(columns)))
    (page, *_) = pdf(report(table((TEXT, *some), [row], facts=()))).pages
    assert page.mediabox.width > 800 if columns > 5 else page.mediabox.width < 600
    seen = placed(page)
    for at in range(columns):
        assert shown(-123_456_789 - at, some[at]) in [text for text, _ in seen]
    assert all(20 < x < page.mediabox.width - 20 for _, x in seen)


def test_numbers_end_in_one_line() -> None:
    """They stand to the right, so a short one begins further on."""
    (page,) = pdf(report(table((UNITS,), [(5,), (1_000_000,)], facts=()))).pages
    seen = dict(placed(page))
    assert seen["5"] > seen["1,000,000"] + 20


def test_a_row_longer_than_a_page_goes_on_with_the_next() -> None:
    """All its words are there."""
    text = " ".join(f"w{number}" for number in range(3_000))
    reader = pdf(report(table((TEXT, UNITS), [(text, 1)], facts=())))
    assert len(reader.pages) > 1
    assert re.findall(r"w\d+", words(reader)) == text.split()


def test_letters_that_the_fonts_lack_are_written_plainly_and_told() -> None:
    """An accent is dropped, any other letter is its number; which ones stands at the end."""
    text = words(pdf(report(table((TEXT, UNITS), [("Dvořák, Łódź, Ærø, 中, €5", 1)]), title="Überblick – ü")))
    assert "Dvorák, Lódz, Ærø, [U+4E2D], €5" in text
    assert "Überblick – ü" in text
    assert "latin small letter r with caron as r" in text
    assert "[U+...] is a letter that the fonts of this document lack" in text
    assert "fonts of this document" not in words(pdf(report(table((TEXT,), [("café",)]))))


@settings(max_examples=50, deadline=None)
@given(text=st.text(st.characters(), max_size=60))
@example(text="{nb}")
@example(text="(a) \\ ) (")
@example(text="x" * 60 + "\n" + "y z " * 10)
@example(text="0000@\x80\U00010000\U0001002e\U000175da04")
def test_any_text_can_be_printed(text: str) -> None:
    """And what the fonts have of it can be read again."""
    found = words(pdf(report(table((TEXT,), [(text,), ("the end",)]))))
    assert "the end" in found
    whole = found.replace(" ", "")  # a long word goes on in the next line
    assert all(word in whole for word in re.findall(r"[!-~]+", text))


# --- all of them -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("write", [as_xlsx, as_pdf])
def test_the_same_report_is_the_same_bytes(write: Callable[[Report], bytes], monkeypatch: pytest.MonkeyPatch) -> None:
    """Whenever it is made: the only time in it is that of its answer."""
    found = report(table(EVERY, [ROW, EMPTY]), table((TEXT,), [("Ř",)], title="Beside"))
    first = write(found)
    monkeypatch.setenv("TZ", "Asia/Tokyo")
    assert write(found) == first
    assert str(datetime.now(UTC).year).encode() not in first or datetime.now(UTC).year == MOMENT.year


@pytest.mark.parametrize(
    ("column", "cell"),
    [
        (TEXT, 5), (TEXT, True), (UNITS, "5"), (UNITS, 1.5), (UNITS, True), (MONEY, 1.5), (SHARE, float("nan")),
        (SHARE, float("inf")), (SHARE, "x"), (DAY, MOMENT), (DAY, "2027-01-01"), (TOLD, date(2027, 1, 1)),
        (TOLD, MOMENT.replace(tzinfo=None)),
    ],
)  # fmt: skip
@pytest.mark.parametrize("write", [lambda found: as_csv(found.tables[0]), as_xlsx, as_pdf])
def test_a_cell_that_is_not_what_its_column_says_is_never_printed(
    column: Column, cell: Cell, write: Callable[[Report], bytes]
) -> None:
    """It is a fault of the program, and an accountant should not find it."""
    with pytest.raises(ValueError, match=f"for the column {column.name}"):
        write(report(table((column,), [(cell,)], facts=())))


def test_a_table_that_is_put_together_wrongly_is_refused() -> None:
    """A name twice, totals too few, a report of nothing."""
    for wrong in ((TEXT, TEXT), (Column(name="notes", heading="Notes"),), (Column(name="from", heading="From"),)):
        with pytest.raises(ValueError, match="names of their own"):
            table(wrong, [])
    with pytest.raises(ValueError, match="as many totals"):
        table((TEXT, UNITS), [], totals=(1,))
    with pytest.raises(ValueError, match="has a table"):
        report()
