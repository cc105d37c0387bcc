"""What a device's queue sends: written once, in order, at its own time; a refusal says why; a session's end is told as one."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import psycopg
import pytest

from ledger import keys
from ledger.log import store
from tests.pages.conftest import Device


class Queue:
    """The script of a device, as far as the server sees it."""

    def __init__(self, device: Device) -> None:
        self.device = device
        self.token = device.client.get("/queue/hands").json()["token"]

    def post(self, body: Any, path: str = "/queue", token: str | None = None) -> httpx.Response:
        """Send it."""
        response: httpx.Response = self.device.client.post(path, json=body, headers={"X-Token": token or self.token})
        return response


@pytest.fixture
def queue(device: Device) -> Queue:
    """The queue of the potter's device."""
    return Queue(device)


def entry(batch: str, units: int = 3, minutes_ago: int = 10, **more: Any) -> dict[str, Any]:
    """Rooted plugs lost at H1."""
    fields = {"batch": batch, "stage": "rooted", "place": "H1", "units": str(units), "cause": "rot", **more.pop("fields", {})}
    at = datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=minutes_ago)
    told = {"id": str(uuid.uuid4()), "kind": "lose", "occurred_at": at.isoformat(), "person": "potter", "fields": fields}
    return told | more


def test_what_waited_is_written_at_its_own_time_by_whoever_wrote_it_down(device: Device, queue: Queue, plugs: str) -> None:
    """Also where the device is in other hands by now; the answer says what was and is, and until when it can be taken back."""
    sent = entry(plugs, person="propagator")
    answer = queue.post(sent)
    assert answer.status_code == 201
    said = answer.json()
    assert said["id"] == sent["id"]
    assert said["said"] == "3 plugs at H1 lost: rot"
    (change,) = said["changes"]
    assert (change["before"], change["after"]) == (144, 141)
    assert said["undo_until"]
    (written,) = device.entries("lost")
    assert written["by"] == "propagator"
    assert datetime.fromisoformat(written["occurred_at"]) == datetime.fromisoformat(sent["occurred_at"])


def test_the_queue_and_the_form_write_the_same(device: Device, queue: Queue, plugs: str) -> None:
    """Field for field, but for the id and the time."""
    assert (
        device.act(
            "lose", f"batch={plugs}", units="2", units__trays="1", units__cells="8", cause="pest", note="lid off"
        ).status_code
        == 200
    )
    fields = {"units": "2", "units.trays": "1", "units.cells": "8", "cause": "pest", "note": "lid off"}
    assert queue.post(entry(plugs, fields=fields)).status_code == 201
    own = {"id", "occurred_at"}
    by_form, by_queue = ({name: value for name, value in told.items() if name not in own} for told in device.entries("lost"))
    assert by_form == by_queue
    assert by_form["units"] == 10


def test_an_entry_sent_again_is_written_once_and_answered_alike(device: Device, queue: Queue, plugs: str) -> None:
    """The answer to the first may have been lost on the way."""
    sent = entry(plugs)
    first, second = queue.post(sent), queue.post(sent)
    assert first.status_code == second.status_code == 201
    assert first.json() == second.json()
    assert device.standing(plugs) == {"rooted/H1": 141}
    assert len(device.entries("lost")) == 1


def test_twenty_entries_stand_in_the_book_in_the_order_in_which_they_came(device: Device, queue: Queue, plugs: str) -> None:
    """Each with its own time."""
    sent = [entry(plugs, units=1, minutes_ago=60 - number) for number in range(20)]
    assert {queue.post(each).status_code for each in sent} == {201}
    written = device.entries("lost")
    assert [each["id"] for each in written] == [each["id"] for each in sent]
    assert [datetime.fromisoformat(each["occurred_at"]) for each in written] == [
        datetime.fromisoformat(each["occurred_at"]) for each in sent
    ]


def test_a_refusal_says_why_and_writes_nothing_and_what_comes_after_it_is_taken(
    device: Device, queue: Queue, plugs: str
) -> None:
    """It can be answered: corrected under its own id, or counted first."""
    sent = entry(plugs, units=400, fields={"confirmed": "400"})
    refused = queue.post(sent)
    assert refused.status_code == 409
    assert refused.headers["content-type"] == "application/problem+json"
    (problem,) = refused.json()["problems"]
    assert problem["code"] == "not-enough-standing"
    assert problem["offer"]
    assert queue.post(entry(plugs, units=2)).status_code == 201
    counted = queue.post(sent | {"fields": sent["fields"] | {"count_first": "1"}})
    assert counted.status_code == 201
    assert counted.json()["count_first"] is True
    other = entry(plugs, units=400, fields={"confirmed": "400"})
    assert queue.post(other).status_code == 409
    corrected = other | {"fields": other["fields"] | {"units": "0"}}
    assert queue.post(corrected).json()["problems"][0]["field"] == "units"
    assert len(device.entries("lost")) == 2


def test_an_unlikely_number_is_asked_about_once(device: Device, queue: Queue, plugs: str) -> None:
    """As its form would; said to be right it is written."""
    sent = entry(plugs, units=100)
    asked = queue.post(sent)
    assert asked.status_code == 409
    (problem,) = asked.json()["problems"]
    assert (problem["code"], problem["data"]["number"]) == ("unlikely", 100)
    assert device.entries("lost") == []
    assert queue.post(sent | {"fields": sent["fields"] | {"confirmed": "100"}}).status_code == 201


def test_what_is_no_entry_is_refused_as_one(queue: Queue, plugs: str) -> None:
    """An unknown act, batch or person, a broken body: a problem document each, so that the device keeps it and shows why."""
    for sent, status in (
        (entry(plugs, kind="juggle"), 404),
        (entry("26W38-99Z"), 404),
        (entry(plugs, person="nobody"), 422),
        (entry(plugs, surprise=1), 400),
        (entry(plugs, minutes_ago=-600), 422),
    ):
        answer = queue.post(sent)
        assert answer.status_code == status, answer.text
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["detail"]


def test_a_session_that_ended_is_told_to_the_script_and_not_sent_to_the_sign_in(
    device: Device, queue: Queue, plugs: str
) -> None:
    """The entry is kept; signed in again, with a token of the new session, it is written."""
    sent = entry(plugs)
    device.client.cookies.clear()
    for answer in (queue.post(sent), queue.post({"waiting": 1}, "/queue/heard"), device.client.get("/queue/hands")):
        assert answer.status_code == 401
        assert answer.headers["content-type"] == "application/problem+json"
    device.sign_in()
    assert queue.post(sent).status_code == 403  # the token is of the session before
    assert Queue(device).post(sent).status_code == 201


def test_another_site_cannot_have_an_entry_written(device: Device, queue: Queue, plugs: str) -> None:
    """Without the token, with a wrong one, or as a form nothing is taken."""
    sent = entry(plugs)
    assert device.client.post("/queue", json=sent).status_code == 403
    assert queue.post(sent, token="forged").status_code == 403  # noqa: S106 - it is none
    assert device.client.post("/queue", data={"id": sent["id"]}, headers={"X-Token": queue.token}).status_code == 415
    device.sign_in(scopes=("read",))
    assert device.client.get("/queue/hands").status_code == 403
    assert device.entries("lost") == []


# --- devices ---------------------------------------------------------------------------------------------------


def test_what_waits_on_a_device_stands_in_every_answer_until_it_is_sent(device: Device, pots: str) -> None:
    """In the bulk answer and that of one crop and size; the ETag of each changes with it, and comes back with the quiet."""
    queue, auth = _alone(device), {"Authorization": f"Bearer {device.key}"}
    paths = ("/v1/availability", f"/v1/availability/{device.crop}/P9")

    def offers() -> list[dict[str, Any]]:
        _looked(device)
        bulk, one = (device.client.get(path, headers=auth).json() for path in paths)
        return [*bulk["offers"], one]

    def tags() -> list[str]:
        return [device.client.get(path, headers=auth).headers["etag"] for path in paths]

    assert {str(offer["unheard"]) for offer in offers()} == {"[]"}
    quiet = tags()
    assert queue.post({"waiting": 3}, "/queue/heard").status_code == 204
    for offer in offers():
        ((unheard),) = offer["unheard"]
        assert unheard["name"].startswith("phone ")
        assert unheard["waiting"] == 3
        assert datetime.now(UTC) - datetime.fromisoformat(unheard["heard_at"]) < timedelta(minutes=1)
    for path, before in zip(paths, quiet, strict=True):
        asked = device.client.get(path, headers=auth | {"If-None-Match": before})
        assert asked.status_code == 200
    assert queue.post({"waiting": 0}, "/queue/heard").status_code == 204
    assert {str(offer["unheard"]) for offer in offers()} == {"[]"}
    assert tags() == quiet


def test_a_device_that_is_silent_for_longer_than_the_policy_allows_is_named(device: Device, pots: str) -> None:
    """Not one that was heard of lately, nor one whose key was revoked."""
    queue = _alone(device)
    assert queue.post({"waiting": 0}, "/queue/heard").status_code == 204
    path, auth = f"/v1/availability/{device.crop}/P9", {"Authorization": f"Bearer {device.key}"}
    _silent_for(device, "35 hours")
    assert device.client.get(path, headers=auth).json()["unheard"] == []
    _silent_for(device, "37 hours")
    (silent,) = device.client.get(path, headers=auth).json()["unheard"]
    assert silent["waiting"] == 0
    device.tell("policy-set", silent_hours=48)
    _looked(device)
    assert device.client.get(path, headers=auth).json()["unheard"] == []
    device.tell("policy-set", silent_hours=1)
    _looked(device)
    assert len(device.client.get(path, headers=auth).json()["unheard"]) == 1
    _alone(device)
    _looked(device)
    assert device.client.get(path, headers=auth).json()["unheard"] == []


def _alone(device: Device) -> Queue:
    """A phone that is the only one, for the keys of all others are revoked."""
    for key in keys.listed(device.conninfo):
        if key.name.startswith("phone"):
            keys.revoke(device.conninfo, key.prefix)
    device.sign_in()
    return Queue(device)


def _silent_for(device: Device, how_long: str) -> None:
    with psycopg.connect(store.app_conninfo(device.conninfo)) as connection:
        connection.execute("update keys set heard_at = now() - %s::interval where heard_at is not null", [how_long])
    _looked(device)


def _looked(device: Device) -> None:
    """The board has looked at the devices since."""
    board = device.client.app.state["board"]
    device.client.blocking_portal.call(board.look)


# --- what is kept on the device --------------------------------------------------------------------------------


def test_the_service_worker_and_the_manifest_are_served_for_the_whole_site(device: Device) -> None:
    """From the root, always asked for anew; the manifest's icons are there."""
    worker = device.client.get("/sw.js")
    assert worker.headers["content-type"].startswith("text/javascript")
    assert worker.headers["cache-control"] == "no-cache"
    manifest = device.client.get("/static/manifest.json").json()
    for icon in manifest["icons"]:
        found = device.client.get(icon["src"])
        assert found.status_code == 200
        assert found.headers["content-type"] == icon["type"]


def test_the_page_of_the_queue_says_how_it_is_without_a_script(device: Device) -> None:
    """And its markup holds what the script and the service worker look for."""
    text = device.get("/queue")
    assert "<noscript>" in text
    for needed in ('<section id="queue"', 'id="waiting"', '<main id="main">', "/static/queue.js", "/static/manifest.json"):
        assert needed in text
    device.sign_in(scopes=("read",))
    assert "/static/queue.js" not in device.get("/who")
