"""What a device prints: documents of the right plants, with links to where the pages are."""

from __future__ import annotations

import io
from typing import Any

import pytest
import zxingcpp
from pypdf import PdfReader

from tests.pages.conftest import Device
from tests.printing.test_labels import raster, size


def printed(device: Device, path: str, **asked: Any) -> PdfReader:
    """A document that the device is given."""
    answer = device.client.get(path, params=asked)
    assert answer.status_code == 200, answer.text
    assert answer.headers["Content-Type"] == "application/pdf"
    return PdfReader(io.BytesIO(answer.content), strict=True)


def words(reader: PdfReader) -> str:
    """Its text, blanks made one."""
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


def plugs(device: Device) -> str:
    """A batch of cuttings struck in ISO week 38 of 2026."""
    taken = device.tell("gathered", crop=device.crop, stock_plants=[{"stock_plant": device.stock, "cuttings": 90}], place="P1")
    number = str(taken["batch"])
    device.tell("struck", batch=number, gathered_at="P1", cuttings=90, per_cell=1, cells=90, place="P1")
    return number


def test_tags_tell_of_their_batch_and_lead_to_it(device: Device) -> None:
    """One for each tray, with the week in which it was struck; the code is the link of this server."""
    number = plugs(device)
    reader = printed(device, "/prints/tags.pdf", batch=number, trays=3, format="stake")
    assert [size(page) for page in reader.pages] == [(130, 25)] * 3
    assert "tray 2 of 3" in words(reader)
    assert "struck 2026-W38" in words(reader)
    assert [code.text for code in zxingcpp.read_barcodes(raster(reader.pages[0]))] == [f"{device.client.base_url}/t/{number}"]


def test_labels_are_one_for_each_pot(device: Device) -> None:
    """Ten to a page of A4; they tell when the parents' cuttings were struck."""
    number = str(device.tell("opened", crop=device.crop, stage="finished", size="P9", place="G1", units=12)["batch"])
    reader = printed(device, "/prints/labels.pdf", batch=number)
    assert words(reader).count(number) == 12
    assert len(reader.pages) == 2


def test_a_count_sheet_is_blind(device: Device) -> None:
    """It names what stands there and no number of it."""
    number = str(device.tell("opened", crop=device.crop, stage="finished", size="P9", place="G2", units=871)["batch"])
    text = words(printed(device, "/prints/count.pdf", place="G2"))
    assert number in text
    assert "871" not in text


def test_the_potting_list_and_the_trace_are_documents(device: Device) -> None:
    """With nothing to pot, the list says so; a trace names the stock plant."""
    number = plugs(device)
    assert "Potting list" in words(printed(device, "/prints/potting.pdf"))
    assert device.stock in words(printed(device, "/prints/trace.pdf", number=number))
    assert number in words(printed(device, "/prints/trace.pdf", number=device.stock, direction="forward"))


def test_the_pick_route_says_where_to_pull_what(device: Device) -> None:
    """A line that was bought, with its place, batch and order."""
    number = str(device.tell("opened", crop=device.crop, stage="finished", size="P9", place="G1", units=40)["batch"])
    lines = [{"crop": device.crop, "size": "P9", "units": 3}]
    promised = device.tell("promised", order=f"R-{device.crop}", lines=lines)
    device.tell("promise-confirmed", promise=promised["id"])
    text = words(printed(device, "/prints/picks.pdf", day="2100-01-01"))
    assert number in text
    assert "G1" in text


def test_what_is_set_for_prints_stands_on_the_tags(device: Device) -> None:
    """The nursery's own address in the link, and the fields of a passport once it has a registration number."""
    number = plugs(device)
    assert "GB-12345" not in words(printed(device, "/prints/tags.pdf", batch=number))
    device.tell("prints-set", address="https://bench.example", registration="GB-12345", origin="GB")
    try:
        reader = printed(device, "/prints/tags.pdf", batch=number)
        assert "B GB-12345" in words(reader)
        assert f"C {number}" in words(reader)
        assert {code.text for code in zxingcpp.read_barcodes(raster(reader.pages[0]))} == {f"https://bench.example/t/{number}"}
    finally:
        device.tell("prints-set")


@pytest.mark.parametrize(
    ("path", "asked", "status"),
    [
        ("tags", {}, 400),
        ("tags", {"batch": "26W38-99X"}, 404),
        ("tags", {"batch": "<b>"}, 404),
        ("count", {"place": "NOWHERE"}, 404),
        ("trace", {"number": "S-NONE"}, 404),
        ("potting", {"day": "soon"}, 400),
    ],
)
def test_what_is_not_there_cannot_be_printed(device: Device, path: str, asked: dict[str, str], status: int) -> None:
    """A page says why."""
    assert device.client.get(f"/prints/{path}.pdf", params=asked).status_code == status


def test_a_size_that_no_camera_reads_is_refused(device: Device) -> None:
    """So are a size in words, and a tray that is not there."""
    number = plugs(device)
    for wrong in ({"height": "10"}, {"width": "wide"}, {"width": "nan"}, {"trays": "2", "first": "3"}, {"trays": "0"}):
        answer = device.client.get("/prints/tags.pdf", params={"batch": number, "format": "stake", **wrong})
        assert answer.status_code == 400, wrong


def test_the_page_of_prints_offers_them(device: Device) -> None:
    """With the number of the batch that one came from."""
    text = device.get("/prints?batch=26W38-01W")
    assert 'value="26W38-01W"' in str(getattr(text, "text", text))
