"""What is printed of each report's answer."""

from __future__ import annotations

import io
from datetime import UTC, date, datetime

from pypdf import PdfReader
from python_calamine import CalamineWorkbook

from ledger import printed
from ledger.answers import KeptReport
from ledger.books.kept import KeptLine, kept

NOW = datetime(2027, 7, 1, tzinfo=UTC)


def found() -> KeptReport:
    """Promises of two confidences: 30 lines kept whole, 3 in part, 2 missed."""
    kinds = ((90, 18, 40, 0), (80, 12, 70, 0), (90, 3, 11, 4), (80, 2, 0, 9))
    lines = [
        KeptLine(
            crop="ixora", size="P9", due=date(2027, 6, 1), confidence=stated, basis="growing-on", kept=units, missed=missed
        )
        for stated, many, units, missed in kinds
        for _ in range(many)
    ]
    return KeptReport(
        as_of=48_213,
        since=date(2027, 1, 1),
        until=date(2027, 6, 30),
        counted="picked by their day",
        interval="Wilson, 95 %",
        open=17,
        lines=kept(lines, ["confidence"]),
    )


def test_the_totals_of_promises_kept_are_sums_and_their_share_is_pooled() -> None:
    """Sum over sum, not the mean of the shares; found in the workbook and on paper."""
    units_kept, units = 18 * 40 + 12 * 70 + 3 * 11, 18 * 40 + 12 * 70 + 3 * 15 + 2 * 9
    report = printed.promises_kept(found(), NOW)
    book = CalamineWorkbook.from_filelike(io.BytesIO(printed.as_bytes(report, "xlsx")))
    rows = book.get_sheet_by_name("Promises kept").to_python()
    (total,) = [row for row in rows if row[0] == "Total"]
    assert total[5:8] == [35, 30, 30 / 35]
    assert total[10:12] == [units, units_kept]
    assert ["Open and not checked", 17] in [row[:2] for row in rows]
    text = " ".join(PdfReader(io.BytesIO(printed.as_bytes(report, "pdf"))).pages[0].extract_text().split())
    assert f"Total 35 30 85.7 % {units:,} {units_kept:,}" in text
    assert "Open and not checked: 17" in text


def test_without_promises_there_is_a_total_and_no_share() -> None:
    """Nothing of nothing is no rate."""
    lines = found()
    empty = KeptReport(**{name: getattr(lines, name) for name in lines.__struct_fields__ if name != "lines"}, lines=[])
    (table,) = printed.promises_kept(empty, NOW).tables
    assert table.totals == ("Total", None, None, None, None, 0, 0, None, None, None, 0, 0, None)
    for kind in printed.FORMATS:
        assert printed.as_bytes(printed.promises_kept(empty, NOW), kind)
