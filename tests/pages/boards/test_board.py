"""The availability board says what the shop is told, and stays usable with many crops."""

from __future__ import annotations

from datetime import timedelta

from tests.pages.boards.conftest import IXORA, Desk, plain, today


def test_a_row_has_the_figures_of_the_api(desk: Desk) -> None:
    """Now, in two, four and eight weeks at the stated confidence, promised, and when it was counted."""
    batch = desk.finished(40)
    growing = desk.tell("opened", crop=IXORA, stage="potted", size="P9", place="G1", units=60)["batch"]
    desk.promise(5)
    desk.forecast({batch: 40, growing: 60}, [(0, 40), (3, 100)])
    offer = desk.ask(f"/v1/availability/{IXORA}/P9")
    assert (offer["now"], offer["stock"]["promised"], offer["stale"]) == (35, 5, None)
    said = plain(desk.read("/board?q=ixora"))
    assert f"{IXORA} P9 35 35 95 95 5 0 Mon 14 Sep 2026" in said
    assert "at 90 % confidence" in said
    assert "hoya" not in said


def test_without_a_forecast_nothing_is_said_of_later(desk: Desk) -> None:
    """And why not."""
    desk.finished(40)
    assert "not promised: no forecast yet" in plain(desk.read("/board"))


def test_crops_are_found_by_words_and_by_group(desk: Desk) -> None:
    """Of name, species and code, in any order and case."""
    for code, group in (("aster-low-moon", "Soft"), ("aster-high-moon", "Woody")):
        desk.tell("crop-set", code=code, name=code.title(), species="Aster amellus", group=group, sizes={"P9": {"price": "5"}})
    assert "Aster-High-Moon" in desk.read("/board?q=MOON aster high")
    found = desk.read("/board?q=amellus&group=Soft")
    assert "Aster-Low-Moon" in found
    assert "Aster-High-Moon" not in found
    assert "No crop that is sold is called that" in desk.read("/board?q=nothing-like-it")


def test_pages_join_and_miss_no_crop(desk: Desk) -> None:
    """Forty crops a page."""
    crops = [f"crop-{number:03}" for number in range(90)]
    desk.post(
        [
            desk.teller.fact("crop-set", code=code, name=code, species="Rosa", group="Soft", sizes={"P9": {"price": "5"}})
            for code in crops
        ]
    )
    seen, path = list[str](), "/board?q=rosa"
    while path:
        page = desk.read(path)
        seen += [code for code in crops if f"/board/{code}/P9" in page]
        following = page.partition('href="/board?after=')[2].partition('"')[0]
        path = f"/board?after={following.replace('&amp;', '&')}" if following else ""
    assert seen == crops


def test_the_grower_sees_low_middle_and_high_with_what_is_promised_by_then(desk: Desk) -> None:
    """And is told where more is promised than the low."""
    batch = desk.finished(10)
    growing = desk.tell("opened", crop=IXORA, stage="potted", size="P9", place="G1", units=60)["batch"]
    desk.forecast({batch: 10, growing: 60}, [(0, 10), (3, 70)])
    desk.promise(60, due=today() + timedelta(days=28))
    said = plain(desk.read(f"/board/{IXORA}/P9"))
    assert "70 74 76 0 ✓ yes" in said
    assert "60 promised and not picked yet" in said
    assert "Book: forecast of" in said


def test_what_is_not_sold_is_not_found(desk: Desk) -> None:
    """A page says so, and leads on."""
    for path in ("/board/no-such-crop/P9", f"/board/{IXORA}/Z9"):
        assert "Not found" in desk.read(path, 404)
