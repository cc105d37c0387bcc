"""The office and the inspector: the books and their files, benches to scale, traces, the buyer's page, the pictures."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime
from typing import Any
from xml.etree import ElementTree as ET

import psycopg
import pytest

from ledger import ground, pictures
from ledger.log import store
from ledger.printing import plots
from ledger.projections import runner
from tests.pages.conftest import Device, opened, plain

IXORA, HOYA = "ixora-copper-thimble", "hoya-pewter-spoon"
BEGUN = date(2026, 9, 1)
MONTHS = {"days": [30] * 12, "come_through": [90] * 12}


@pytest.fixture(scope="module")
def grown(cluster: str, template_database: str) -> Iterator[Device]:
    """A nursery where cuttings became plugs, pots and an order, and some of each were lost; no test writes to it."""
    with opened(cluster, template_database) as device:
        live(device)
        yield device


@pytest.fixture
def office(grown: Device) -> Device:
    """The accountant's device there."""
    grown.sign_in(scopes=("read", "books"))
    return grown


@pytest.fixture
def own(cluster: str, template_database: str) -> Iterator[Device]:
    """The accountant's device in a nursery of this test's own, where nothing stands yet."""
    with opened(cluster, template_database) as device:
        device.sign_in(scopes=("read", "books"))
        yield device


def live(device: Device) -> None:
    """A year in a few entries."""
    tell = device.tell
    tell("place-set", code="G1", name="Bench 1", house="G", kind="bench", area_cm2=16_200)
    tell("place-set", code="H1", name="Row 1", house="H", kind="holding", tray_places=2)
    tell("recipe-set", crop=HOYA, rooting=MONTHS, growing={"P9": MONTHS}, holding_limit_days=[20] * 12, tray_cells=50)
    tell("cost-set", step="potting", amount="0.35", effective_on="2026-01-01", size="P9")
    tell("cost-set", step="striking", amount="0.10", effective_on="2026-01-01")
    batch = tell("gathered", crop=HOYA, stock_plants=[{"stock_plant": "S-HOY", "cuttings": 120}], place="P1")["batch"]
    tell("struck", batch=batch, gathered_at="P1", cuttings=120, per_cell=1, cells=120, place="P1")
    tell("lost", batch=batch, stage="struck", place="P1", units=8, cause="rot")
    tell("rooted", batch=batch, place="P1", usable=100, weak=0, failed=12, to="H1")
    pots = tell("potted", batch=batch, place="H1", plugs=50, pots=50, size="P9", to="G1")["batch"]
    tell("lost", batch=pots, stage="potted", place="G1", units=5, cause="pest")
    tell("graded", batch=pots, place="G1", finished=40, held_back=5, seconds=0, culled=0, to="G1")
    tell("picked", order="A-1", batch=pots, place="G1", units=4, to="K1")
    tell("shipped", order="A-1", carrier="Van", region="North", lines=[{"batch": pots, "place": "K1", "units": 4}])
    tell("treated", product="Soap", places=["G1"], batches=[pots], re_entry_ends="2100-01-01T00:00:00Z")


def numbers_of(device: Device) -> tuple[str, str]:
    """The batch of plugs and the batch of pots."""
    plugs, pots = (card["number"] for card in device.ask("/v1/batches", crop=HOYA)["batches"])
    return plugs, pots


# --- the books -----------------------------------------------------------------------------------------------------


def test_the_books_show_what_was_lost(office: Device) -> None:
    """With numbers of the report of the API, and links to the same as files."""
    text = office.get("/books?from=2026-09-01&by=cause")
    said = plain(text)
    assert "rot" in said
    assert "pest" in said
    for kind in ("csv", "xlsx", "pdf"):
        assert f"/books/shrink.{kind}?by=cause" in text


def test_a_form_with_fields_left_empty_is_understood(office: Device) -> None:
    """A browser sends them all."""
    office.get("/books?show=value&by=crop%2Csize&basis=cohort&lines=stage&from=&to=&crop=&size=&stage=")


@pytest.mark.parametrize("asked", ["by=grower", "from=soon", "crop=%3Cb%3E", "show=all", "basis=luck"])
def test_a_question_that_the_books_do_not_know_is_refused(office: Device, asked: str) -> None:
    """And said so; nothing is guessed."""
    office.get(f"/books?{asked}", status=400)


def test_statement_and_value_show_the_totals_of_the_api(office: Device) -> None:
    """To the penny, a group of the statement at a time."""
    value = office.ask("/v1/reports/value")["total"]
    assert value > 0
    assert f"{value / 100:,.2f}" in plain(office.get("/books?show=value"))
    statement = plain(office.get("/books?show=statement&from=2026-09-01"))
    assert f"Closing 136 {value / 100:,.2f}" in statement or f"{value / 100:,.2f}" in statement
    assert "Opening" in statement


@pytest.mark.parametrize("report", ["shrink", "movement", "value", "journal", "promises-kept"])
@pytest.mark.parametrize("kind", ["csv", "xlsx", "pdf"])
def test_a_file_by_cookie_is_the_file_of_the_api(office: Device, report: str, kind: str) -> None:
    """The API takes no cookie, and the page's file is made by the same function."""
    response = office.client.get(f"/books/{report}.{kind}?from=2026-09-01")
    assert response.status_code == 200
    assert f'.{kind}"' in response.headers["content-disposition"]
    begins = {"csv": b"", "xlsx": b"PK", "pdf": b"%PDF"}[kind]
    assert response.content.startswith(begins)
    assert len(response.content) > 50
    if kind == "csv" and report in ("value", "journal"):
        asked = {"value": {}, "journal": {"from": "2026-09-01"}}[report]
        key = {"Authorization": f"Bearer {office.key}"}
        same = office.client.get(f"/v1/reports/{report}", params={**asked, "format": "csv"}, headers=key)
        assert response.content == same.content


def test_there_are_no_other_files(office: Device) -> None:
    """Neither reports nor formats."""
    for name in ("shrink.exe", "secrets.csv", "shrink", ".csv"):
        office.get(f"/books/{name}", status=404)


def test_the_books_are_for_keys_with_their_scope(grown: Device) -> None:
    """A grower's device sees the plants and not the money."""
    device = grown
    device.sign_in(scopes=("read", "write"))
    for path in ("/books", "/books/value.csv", "/plots/losses", "/plots/value.svg"):
        device.get(path, status=403)
    listed = device.get("/plots")
    assert "/plots/flow" in listed
    assert "/plots/losses" not in listed


# --- benches -------------------------------------------------------------------------------------------------------


def test_a_bench_is_filled_to_scale(office: Device) -> None:
    """41 pots of 81 cm² on 16,200 cm² are a fifth; 50 plugs at 50 a tray are one of two tray places."""
    text = office.get("/bench")
    assert "no entry before Fri 00:00, 20 % full" in plain(text)
    assert "50 % full" in plain(text)
    bench = text[text.index('href="/bench/G1"') :]
    parts = re.findall(r'width="([0-9.]+)" height="26" fill="url\(#p\d\)"', bench)
    assert float(parts[0]) == pytest.approx(0.205 * 340, abs=0.2)
    assert 'style="' not in text


def test_what_stands_at_a_place_is_listed(office: Device) -> None:
    """With links to the cards, and first of all that nobody may go in."""
    plugs, pots = numbers_of(office)
    bench = office.get("/bench/g1")
    assert "No entry before Fri 1 Jan 2100" in plain(bench)
    assert "replaces neither" in plain(bench)
    assert f'href="/batch/{pots}"' in bench
    assert "No entry" not in plain(office.get("/bench/H1"))
    assert f'href="/batch/{plugs}"' in office.get("/bench/H1")
    assert 'href="/trace/S-HOY"' in office.get("/bench/S1")
    assert "Nothing stands here" in office.get("/bench/H2")
    office.get("/bench/NOWHERE", status=404)


def test_a_big_nursery_is_drawn_a_house_at_a_time(office: Device, monkeypatch: pytest.MonkeyPatch) -> None:
    """So that the page stays small."""
    monkeypatch.setattr(ground, "MOST_DRAWN", 3)
    text = office.get("/bench")
    assert '<svg class="map"' not in text
    assert 'href="/bench?house=G"' in text
    house = office.get("/bench?house=G")
    assert 'href="/bench/G1"' in house
    assert 'href="/bench/H1"' not in house
    office.get("/bench?house=Elsewhere", status=404)


# --- where plants come from ----------------------------------------------------------------------------------------


def test_a_trace_goes_back_and_forward(office: Device) -> None:
    """From a stock plant to the order, and from the pot to the stock plant, with the treatment that named it."""
    plugs, pots = numbers_of(office)
    forward = plain(office.get("/trace/S-HOY"))
    for said in (plugs, pots, "A-1", "North", "treated with Soap"):
        assert said in forward
    back = plain(office.get(f"/trace/{pots}"))
    assert "S-HOY" in back
    assert f"50 of {plugs}" in back
    office.get("/trace/26W01-99X", status=404)


def test_a_number_to_trace_may_be_typed_loosely(office: Device) -> None:
    """Small letters, no hyphen."""
    _, pots = numbers_of(office)
    assert f"Trace of {pots}" in office.get(f"/trace?number={pots.lower().replace('-', '')}")


def test_a_buyer_reads_where_the_plant_came_from(office: Device) -> None:
    """Signed in nowhere: crop, mother plant and days, and no people, prices, orders, places or numbers of plants."""
    _, pots = numbers_of(office)
    office.client.cookies.clear()
    text = office.get(f"/plant/{pots}")
    said = plain(text)
    for word in ("Hoya carnosa", "S-HOY", "Cuttings were taken", "rooted", "Potted", "Ready for sale", "14 Sep 2026"):
        assert word in said
    for word in ("head-grower", "potter", "A-1", "North", "G1", "0.35", "15.00", "120", "Soap", "noindex"):
        assert word not in text
    assert "<nav" not in text


def test_an_unknown_number_is_answered_kindly(office: Device) -> None:
    """Also a slip of the pen, and what is no number at all."""
    office.client.cookies.clear()
    assert "may be a slip" in plain(office.get("/plant/26W38-01Z", status=404))
    assert "No plant of ours" in plain(office.get("/plant/S-HOY", status=404))
    assert "<b>" not in office.get("/plant/%3Cb%3E", status=404)


# --- pictures ------------------------------------------------------------------------------------------------------

_SVG = "{http://www.w3.org/2000/svg}"


def drawn(device: Device) -> dict[str, plots.Plot]:
    """Every picture of the nursery."""
    with psycopg.connect(store.app_conninfo(device.conninfo)) as connection:
        runner.follow(connection)
        with runner.look(connection) as cursor:
            asked = pictures.asked_for(cursor, datetime.now(UTC), BEGUN, None, HOYA, "P9")
            whole = pictures.asked_for(cursor, datetime.now(UTC), BEGUN, None, None, None)
            return {
                name: picture.draw(cursor, asked if name == "supply" else whole) for name, picture in pictures.PICTURES.items()
            }


def points(value: Any) -> list[dict[str, Any]]:
    """The values of a specification."""
    found: list[dict[str, Any]] = value["data"]["values"]
    return found


def test_a_picture_shows_the_numbers_of_its_table(office: Device) -> None:
    """Its values are the rows of the table, and every one of its words is drawn by name."""
    for name, plot in drawn(office).items():
        table = plots.values(plot.table)
        assert [row for row in points(plot.spec) if row not in table] == [], name
        assert len(points(plot.spec)) == len(table), name
        assert plot.title.endswith("."), name
        assert plot.title in plot.alt, name
        assert plot.spec["title"]["text"], name


def test_the_sentences_say_what_is_there(office: Device) -> None:
    """From the nursery of these tests, by hand."""
    found = drawn(office)
    assert found["flow"].title == "120 cells were struck and 4 pots shipped; 25 plants were lost, most while rooting (20)."
    assert found["rooting"].title.startswith("83 % of cells rooted")
    flow = {row["stage"]: row for row in plots.values(found["flow"].table)}
    for row in flow.values():
        gone = row["lost"] + row["went_on"] + row["aside"] + row["stands"]
        assert row["stage"] == "Shipped" or row["had"] + row["came"] + row["counted"] == gone
    assert flow["Shipped"]["came"] == 4
    assert found["losses"].table.totals is not None
    assert found["losses"].table.totals[3] == sum(row[3] for row in found["losses"].table.rows)  # type: ignore[misc]
    assert found["value"].table.totals[2] == office.ask("/v1/reports/value")["total"]  # type: ignore[index]
    assert "of 50 plugs stand longer" in found["ages"].title


@pytest.mark.parametrize("name", [name for name in pictures.PICTURES if name != "supply"])
def test_a_picture_is_an_svg_of_its_own(office: Device, name: str) -> None:
    """Well-formed, and it asks nothing of anybody: no link, no style sheet, no script, no font or picture from elsewhere."""
    response = office.client.get(f"/plots/{name}.svg")
    assert response.status_code == 200
    assert response.headers["content-type"].startswith("image/svg+xml")
    root = ET.fromstring(response.text)  # noqa: S314 - made by ourselves a moment ago
    assert root.tag == f"{_SVG}svg"
    for element in root.iter():
        assert element.tag not in {f"{_SVG}{tag}" for tag in ("script", "style", "image", "foreignObject", "a")}
        assert not any(key.endswith("href") or "url(http" in value for key, value in element.attrib.items())
    assert any((text.text or "").strip() for text in root.iter(f"{_SVG}text"))


@pytest.mark.parametrize("name", [name for name in pictures.PICTURES if name != "supply"])
def test_a_picture_has_its_page(office: Device, name: str) -> None:
    """The picture with words for whoever cannot see it, and the numbers as a table beneath."""
    text = office.get(f"/plots/{name}")
    alt = re.search(rf'<img src="/plots/{name}\.svg[^"]*" alt="([^"]+)"', text)
    assert alt is not None
    assert len(alt[1]) > 60
    assert text.index("<table") > text.index("<img")


def test_of_nothing_there_is_a_picture_all_the_same(own: Device) -> None:
    """An empty nursery has pictures that say so; of supply there is none until something is promised."""
    for name in pictures.PICTURES:
        assert own.client.get(f"/plots/{name}.svg").status_code == (404 if name == "supply" else 200), name


def test_supply_is_held_against_what_is_promised(own: Device) -> None:
    """Of the crop and size of which most is promised, where none is named; without a forecast it says so."""
    own.tell("opened", crop=HOYA, stage="finished", size="P9", place="G1", units=9)
    own.tell("promised", order="B-1", region="North", lines=[{"crop": HOYA, "size": "P9", "units": 3}])
    assert "There is no forecast of hoya-pewter-spoon P9 yet." in own.get("/plots/supply")
    assert f"crop={HOYA}" in own.get("/plots/supply")
    assert own.client.get("/plots/supply.svg").status_code == 200


def test_a_picture_is_drawn_once_until_the_ledger_goes_on(own: Device, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of one position it is the same."""
    made = list[str]()
    as_svg = plots.as_svg

    def counted(plot: plots.Plot) -> str:
        made.append(plot.name)
        return as_svg(plot)

    monkeypatch.setattr(plots, "as_svg", counted)
    for _ in range(2):
        own.client.get("/plots/rooting.svg")
    assert made == ["rooting"]
    own.tell("opened", crop=IXORA, stage="rooted", place="H1", units=10)
    own.client.get("/plots/rooting.svg")
    assert made == ["rooting", "rooting"]
