"""Reports as files: JSON, CSV, XLSX and PDF say the same, with the media types and names of files that programs go by."""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC, date, datetime
from typing import Any

import pytest
from pypdf import PdfReader
from python_calamine import CalamineWorkbook

from tests.api.conftest import Service

#: fields in whole minor units
MONEY = {"cost", "expensed", "retail"}
REPORTS = {"shrink": "rates", "promises-kept": "lines"}
KINDS = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "pdf": "application/pdf",
}
PERIOD = {"from": "2026-01-01", "to": "2030-12-31"}


def path(name: str) -> str:
    """The address of a report."""
    return f"/v1/reports/{name}"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", REPORTS)
def test_a_report_is_a_file_of_its_kind(unchanged: Service, name: str, kind: str) -> None:
    """With its media type, and a file name that has report and period in it."""
    response = unchanged.get(path(name), asked={**PERIOD, "format": kind})
    assert response.status_code == 200
    assert response.headers["Content-Type"] == KINDS[kind]
    named = f'attachment; filename="{name}-2026-01-01-2030-12-31.{kind}"'
    assert response.headers["Content-Disposition"] == named
    assert response.content.startswith({"csv": b"", "xlsx": b"PK", "pdf": b"%PDF-"}[kind])


@pytest.mark.parametrize("name", REPORTS)
def test_json_is_what_is_answered_where_nothing_is_asked(unchanged: Service, name: str) -> None:
    """No file to keep."""
    response = unchanged.get(path(name), asked=PERIOD)
    assert response.headers["Content-Type"].startswith("application/json")
    assert "Content-Disposition" not in response.headers


def as_cell(value: Any) -> Any:
    """A value of the JSON as a cell has it."""
    return {None: "", True: "yes", False: "no"}[value] if value is None or isinstance(value, bool) else value


@pytest.mark.parametrize("name", REPORTS)
def test_a_csv_says_what_the_json_says(unchanged: Service, name: str) -> None:
    """Every line of the report's first table, every field, and what holds for all of them."""
    asked = {**PERIOD, "by": "crop,size"}
    report = unchanged.answer(path(name), **asked)
    text = unchanged.get(path(name), asked={**asked, "format": "csv"}).content.decode("utf-8")
    rows = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    lines = report[REPORTS[name]]
    assert len(rows) == len(lines)
    assert lines or name == "promises-kept"
    for row, line in zip(rows, lines, strict=True):
        shown = row.keys() & line.keys() - MONEY  # groupings that were not asked for are left out
        assert {field: row[field] for field in shown} == {field: str(as_cell(line[field])) for field in shown}
        for field in row.keys() & line.keys() & MONEY:
            assert row[field] == ("" if line[field] is None else f"{line[field] // 100}.{line[field] % 100:02d}")
        assert (row["from"], row["to"], row["as_of"]) == (PERIOD["from"], PERIOD["to"], str(report["as_of"]))


def test_a_workbook_says_what_the_json_says(unchanged: Service) -> None:
    """All tables of the report, a sheet for each, as numbers and dates."""
    asked = {**PERIOD, "by": "crop,size,stage,cause"}
    report = unchanged.answer(path("shrink"), **asked)
    content = unchanged.get(path("shrink"), asked={**asked, "format": "xlsx"}).content
    book = CalamineWorkbook.from_filelike(io.BytesIO(content))
    fields = ("rates", "cumulative", "avoidable", "yields", "records", "beside")
    sheets = dict(zip(fields, book.sheet_names, strict=True))
    for field, sheet in sheets.items():
        rows = book.get_sheet_by_name(sheet).to_python()
        assert ["From", date(2026, 1, 1)] in [row[:2] for row in rows]
        assert ["As of position", report["as_of"]] in [row[:2] for row in rows]
        for line in report[field]:
            names = ("crop", "size", "stage", "cause", "lost", "of", "units", "cells")
            values = {line[name] for name in names if line.get(name) is not None}
            assert any(values <= set(row) for row in rows), (field, line)
    assert report["rates"]
    assert report["records"]
    assert report["beside"]


def test_a_document_has_the_figures_of_the_json(unchanged: Service) -> None:
    """Title, period, position, and every rate with its numerator and denominator."""
    report = unchanged.answer(path("shrink"), **PERIOD)
    reader = PdfReader(io.BytesIO(unchanged.get(path("shrink"), asked={**PERIOD, "format": "pdf"}).content))
    assert reader.metadata is not None
    assert reader.metadata.title == "Shrink"
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    assert f"As of position: {report['as_of']:,}" in text
    assert "From: 2026-01-01" in text
    assert f"page 1 of {len(reader.pages)}" in text
    for rate in report["rates"]:
        assert re.search(rf"{rate['lost']} {rate['of']:,} {rate['rate']:.1%}".replace("%", " %"), text), rate


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_question_of_the_same_ledger_is_the_same_file(unchanged: Service, kind: str) -> None:
    """Byte for byte, so that its ETag holds; its date is that of the last entry that it knows."""
    first = unchanged.get(path("shrink"), asked={**PERIOD, "format": kind})
    again = unchanged.get(path("shrink"), asked={**PERIOD, "format": kind})
    assert first.content == again.content
    known = unchanged.get(path("shrink"), asked={**PERIOD, "format": kind}, headers={"If-None-Match": first.headers["ETag"]})
    assert known.status_code == 304
    if kind == "pdf":
        metadata = PdfReader(io.BytesIO(first.content)).metadata
        assert metadata is not None
        assert metadata.creation_date is not None
        assert metadata.creation_date <= datetime.now(UTC)


@pytest.mark.parametrize("name", REPORTS)
@pytest.mark.parametrize("kind", ["xls", "CSV", "text/csv", "", "csv,pdf", "json "])
def test_a_format_that_there_is_not_is_refused_with_those_that_there_are(unchanged: Service, name: str, kind: str) -> None:
    """One problem document, never a file of another kind."""
    found = unchanged.refusal(unchanged.get(path(name), asked={"format": kind}))
    assert found["status"] == 400
    assert found["code"] == "bad-question"
    assert "format" in found["detail"]
    for word in ("json", *KINDS):
        assert word in found["detail"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_question_that_cannot_be_meant_is_refused_the_same_in_every_format(unchanged: Service, kind: str) -> None:
    """As a problem document, whatever was asked for."""
    asked = {"from": "2027-02-01", "to": "2027-01-01", "format": kind}
    found = unchanged.refusal(unchanged.get(path("shrink"), asked=asked))
    assert found["code"] == "bad-question"


def test_the_document_names_every_kind_of_file(unchanged: Service) -> None:
    """And that a CSV is the first table, with apostrophes where there must be."""
    for name in REPORTS:
        operation = unchanged.openapi["paths"][path(name)]["get"]
        assert {kind.partition(";")[0] for kind in KINDS.values()} < set(operation["responses"]["200"]["content"])
        (described,) = [each for each in operation["parameters"] if each["name"] == "format"]
        assert described["schema"]["enum"] == ["json", *KINDS]
        assert "apostrophe" in described["description"]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", REPORTS)
def test_an_empty_ledger_makes_empty_files(service: Service, name: str, kind: str) -> None:
    """A table without rows is a table."""
    response = service.get(path(name), asked={"format": kind})
    assert response.status_code == 200
