"""A guided tour of a dozen questions: who asks, the call, and the answer in short.

The tour finds its subjects by asking, whatever seed the demo was made from. It leaves a promise and a loss of two plants
behind.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from rich.console import Console
from rich.markup import escape

from ledger.demo.nursery import OFFICE
from ledger.demo.post import Answer, Client, Declined

_LINES = 4
_RESTS_ON = {
    "finished": "finished plants",
    "growing-on": "plants growing on",
    "asked": "pots already asked for",
    "plugs": "plugs not spoken for yet, to be potted",
    "rooting": "cuttings still rooting",
}


def tour(client: Client, console: Console | None = None) -> None:
    """Asks and prints. Raises Declined where the service does not answer as it should, OSError where it is not there."""
    guide = _Guide(client, console or Console())
    offer = guide.sellable_now()
    guide.ready_by(offer)
    if offer["now"]:
        guide.promise(offer)
    guide.trace()
    guide.shrink()
    if offer["now"]:
        batch, place = guide.batch_card(offer)
        guide.correct_a_slip(batch, place)
        guide.refusal(batch, place)
    guide.sums()
    guide.basket()
    guide.at_risk()
    guide.kept()
    guide.december()
    guide.proof()
    guide.farewell()


class _Guide:
    def __init__(self, client: Client, console: Console) -> None:
        self._client = client
        self._console = console
        self._step = 0

    def _ask(
        self,
        who: str,
        question: str,
        call: tuple[str, str] | tuple[str, str, Any],
        short: Callable[[Any], list[str]],
        *,
        refused: bool = False,
        key: str | None = None,
    ) -> Any:
        """One step: the question, the call as it goes out, and the lines that `short` makes of the answer."""
        method, path, *body = call
        answer: Answer = self._client.ask(method, path, body[0] if body else None, key)
        if answer.good == refused:
            raise Declined(f"{method} {path}", answer)
        self._step += 1
        self._console.print(f"\n[bold]{self._step:2}. {escape(who)}:[/bold] {escape(question)}", highlight=False)
        self._console.print(f"    [cyan]{method} {escape(path)}[/cyan]", highlight=False, soft_wrap=True)
        for part in body:
            self._console.print(f"    [dim]{escape(json.dumps(part))}[/dim]", highlight=False, soft_wrap=True)
        for line in short(answer.body):
            self._console.print(f"    [green]→[/green] {escape(line)}", highlight=False)
        return answer.body

    # --- reading ---

    def sellable_now(self) -> Any:
        offers = self._client.ask("GET", "/v1/availability").body["offers"]
        best = max(offers, key=lambda offer: offer["now"])
        sold_out = sum(offer["now"] == 0 for offer in offers)
        return self._ask(
            "Storefront",
            f"how many {best['crop']} in {best['size']} can I sell right now?",
            ("GET", f"/v1/availability/{best['crop']}/{best['size']}"),
            lambda body: [_sellable(body), f"of {len(offers)} crops and sizes, {sold_out} are sold out today"],
        )

    def ready_by(self, offer: Any) -> None:
        wanted = offer["now"] + 12
        self._ask(
            "Storefront",
            f"and by when could I have {wanted}?",
            ("GET", f"/v1/availability/{offer['crop']}/{offer['size']}/ready-by?quantity={wanted}"),
            lambda body: [_ready(body)],
        )

    def promise(self, offer: Any) -> None:
        """A basket that is held and bought, and one that asks for more than is left."""
        crop, size = offer["crop"], offer["size"]
        units = min(4, offer["now"])

        def basket(order: str, units: int) -> Any:
            return {"by": OFFICE, "order": order, "lines": [{"crop": crop, "size": size, "units": units}]}

        held = self._ask(
            "Storefront",
            f"order TOUR-2 wants {units} of them: does it get them?",
            ("POST", "/v1/promises", basket("TOUR-2", units)),
            lambda body: [
                f"{line['status']}: {line['granted']} held until {body['expires_at'][:16]}" for line in body["lines"]
            ],
            key=f"tour {uuid.uuid4()}",
        )
        self._ask(
            "Storefront",
            "it is paid.",
            ("POST", f"/v1/promises/{held['promise']}/confirm", {"by": OFFICE}),
            lambda body: [f"the promise is {body['promise']['state']}; picks for TOUR-2 will close it"],
            key=f"tour {uuid.uuid4()}",
        )
        self._ask(
            "Storefront",
            f"and order TOUR-3 wants the {offer['now']} that were there before.",
            ("POST", "/v1/promises", basket("TOUR-3", offer["now"])),
            lambda body: [f"refused ({body['status']} {body['code']}): {body['problems'][0]['detail']}"],
            key=f"tour {uuid.uuid4()}",
            refused=True,
        )

    def batch_card(self, offer: Any) -> tuple[str, str]:
        path = f"/v1/batches?crop={offer['crop']}&size={offer['size']}&stage=finished"
        found = self._client.ask("GET", path).body["batches"]
        finished = [
            (standing["units"], card["number"], where.partition("/")[2])
            for card in found
            for where, standing in card["standing"].items()
            if where.startswith("finished/") and not card.get("stops")
        ]
        _, number, place = max(finished)

        def short(body: Any) -> list[str]:
            card = body["batch"]
            standing = [f"{s['units']} {where.replace('/', ' at ')}" for where, s in card["standing"].items() if s["units"]]
            life = [f"{entry['told']['occurred_at'][:10]} {entry['told']['type']}" for entry in body["life"]]
            some = life if len(life) <= 2 * _LINES else [*life[:_LINES], f"… {len(life) - 2 * _LINES} more …", *life[-_LINES:]]
            return [", ".join(standing), "life line: " + ", ".join(some)]

        self._ask("Grower", f"what is batch {number}, and what happened to it?", ("GET", f"/v1/batches/{number}"), short)
        return number, place

    def trace(self) -> None:
        """All that came from the stock plant that was stopped, or from some other where none ever was."""
        stopped = self._client.ask("GET", "/v1/entries?type=stopped").body["entries"]
        plants = [entry["told"]["stock_plant"] for entry in stopped if entry["told"].get("stock_plant")]
        question = "there was mosaic on stock plant {}: what came from it, and who got it?"
        if not plants:
            gathered = self._client.ask("GET", "/v1/entries?type=gathered&limit=1").body["entries"]
            plants = [part["stock_plant"] for entry in gathered for part in entry["told"]["stock_plants"]]
            question = "what came from stock plant {}, and who got it?"

        def forward(body: Any) -> list[str]:
            batches = [kin for kin in body["kin"] if kin["holder"] != body["start"]]
            alive = [kin for kin in batches if kin["standing"]]
            orders = {touched["order"] for touched in body["orders"]}
            regions = sorted({touched["region"] for touched in body["orders"] if touched["region"]})
            return [
                f"{len(batches)} batches came from it, {len(alive)} of them still stand",
                f"{len(orders)} orders had plants of them, in {', '.join(regions) or 'no region'}",
            ]

        if plants:
            self._ask("Inspector", question.format(plants[0]), ("GET", f"/v1/stock-plants/{plants[0]}/trace"), forward)

    def shrink(self) -> None:
        def short(body: Any) -> list[str]:
            worst = sorted(body["rates"], key=lambda rate: -(rate["lost"] or 0))[:_LINES]
            of = [f"{rate['crop']} {rate['size'] or 'plugs'}, {rate['stage']}: {_share(rate)}" for rate in worst]
            return [*of, f"of: {body['denominator']}"]

        self._ask("Accountant", "where do we lose plants?", ("GET", "/v1/reports/shrink?by=crop,size,stage"), short)

    # --- writing ---

    def correct_a_slip(self, batch: str, place: str) -> None:
        """A loss, the same loss by another hand, the ledger's question, the undo, and the book as it was known before."""
        known = datetime.now(UTC)
        happened = known - timedelta(hours=1)
        loss = {"type": "lost", "batch": batch, "stage": "finished", "place": place, "units": 2, "cause": "handling"}

        def written(body: Any) -> list[str]:
            balance = next(line for line in body["balances"] if line["account"] == f"{batch}/finished/{place}")
            questions = [question["kind"] for entry in body["entries"] for question in entry.get("questions", [])]
            asked = [f"the ledger asks: {question}" for question in questions]
            return [f"written at position {body['as_of']}; {balance['units']} now stand there", *asked]

        def told(by: str, minutes: int, what: dict[str, Any]) -> dict[str, Any]:
            at = _written(happened + timedelta(minutes=minutes))
            return {"id": str(uuid.uuid4()), "occurred_at": at, "by": by, **what}

        first, second = told("head-grower", 0, loss), told("propagator", 5, loss)
        self._ask("Grower", "two were knocked off the bench an hour ago.", ("POST", "/v1/entries", first), written)
        self._ask("Propagator", "two were knocked off the bench.", ("POST", "/v1/entries", second), written)
        self._ask(
            "Head grower",
            "is there anything I have to look at?",
            ("GET", "/v1/questions"),
            lambda body: [_two_slips(question) for question in body["questions"]],
        )
        undo = told("head-grower", 50, {"type": "reversed", "entry": second["id"], "reason": "the same two plants"})
        self._ask("Head grower", "that was one and the same: take the second back.", ("POST", "/v1/entries", undo), written)
        stood = _written(happened + timedelta(minutes=30))
        path = f"/v1/stock?crop={self._crop_of(batch)}&stage=finished&at={stood}"
        self._ask("Accountant", "what stood there half an hour ago?", ("GET", path), lambda body: _stood(body, batch))
        path += f"&known_at={_written(known)}"
        self._ask("Accountant", "and what did the book say then?", ("GET", path), lambda body: _stood(body, batch))

    def _crop_of(self, batch: str) -> str:
        return str(self._client.ask("GET", f"/v1/batches/{batch}").body["batch"]["crop"])

    def refusal(self, batch: str, place: str) -> None:
        card = self._client.ask("GET", f"/v1/batches/{batch}").body["batch"]
        standing = card["standing"][f"finished/{place}"]["units"]
        pick = {
            "id": str(uuid.uuid4()), "type": "picked", "occurred_at": _written(datetime.now(UTC)),
            "by": "packer-1", "order": "TOUR-1", "batch": batch, "place": place, "units": standing + 1, "to": "K1",
        }  # fmt: skip

        def short(body: Any) -> list[str]:
            problem = body["problems"][0]
            offer = [
                f"count {entry['units']} first" if entry["type"] == "counted" else f"then {entry['type']}"
                for entry in problem["offer"]
            ]
            return [f"refused ({body['status']} {body['code']}): {problem['detail']}", f"it offers: {', '.join(offer)}"]

        question = f"I hold {standing + 1} of them in my hands, the book has {standing}."
        self._ask("Packer", question, ("POST", "/v1/entries", pick), short, refused=True)

    def sums(self) -> None:
        self._ask(
            "Owner",
            "is every plant accounted for?",
            ("GET", "/v1/sums"),
            lambda body: [
                ", ".join(f"{unit} {units}" for unit, units in sorted(body["sums"].items()))
                + ": the sum over all accounts, standing and outside, is zero"
            ],
        )

    # --- promises ---

    def basket(self) -> None:
        """Three lines: one that is there, one that is there in part, one that is there later. It is given back after."""
        offers = sorted(self._client.ask("GET", "/v1/availability").body["offers"], key=lambda offer: -offer["now"])
        there = [offer for offer in offers if offer["now"] > 1]
        later = [offer for offer in offers if not offer["now"] and self._ready_by(offer, 6)]
        lines = [{"crop": offer["crop"], "size": offer["size"], "units": 2} for offer in there[:1]]
        scarce = there[-1:]
        lines += [{"crop": of["crop"], "size": of["size"], "units": of["now"] + 3, "allow_part": True} for of in scarce]
        lines += [{"crop": offer["crop"], "size": offer["size"], "units": 6, "allow_later": True} for offer in later[:1]]
        if not there:
            return
        promised = self._ask(
            "Storefront",
            "a basket: two of one, as many as there are of another, and six of a third, later if need be.",
            ("POST", "/v1/promises", {"by": OFFICE, "order": "TOUR-4", "all_or_none": False, "lines": lines}),
            lambda body: [_basket_line(line) for line in body["lines"]],
            key=f"tour {uuid.uuid4()}",
        )
        given_back = {"by": OFFICE, "reason": "only shown"}
        path = f"/v1/promises/{promised['promise']}/release"
        self._ask(
            "Storefront",
            "the buyer thinks better of it.",
            ("POST", path, given_back),
            lambda body: [f"the promise is {body['promise']['state']}, its plants are free again"],
            key=f"tour {uuid.uuid4()}",
        )

    def _ready_by(self, offer: Any, units: int) -> bool:
        path = f"/v1/availability/{offer['crop']}/{offer['size']}/ready-by?quantity={units}"
        return self._client.ask("GET", path).body["ready_by"] is not None

    def at_risk(self) -> None:
        """The last promise that the ledger put at risk because plants were lost."""
        told = [entry["told"] for entry in self._all_of("promise-at-risk")]
        took_away = [entry["told"] for kind in ("lost", "counted", "set-back") for entry in self._all_of(kind)]
        causes = {told["id"]: told for told in took_away}
        risks = [risk for risk in told if causes.keys() & risk.get("because", ())]
        if not risks:
            return
        risk = next((risk for risk in reversed(risks) if risk.get("offered")), risks[-1])

        def short(body: Any) -> list[str]:
            line = body["promise"]["lines"][str(risk["line"])]
            because = [_cause(causes[name]) for name in risk["because"] if name in causes]
            return [
                f"{line['crop']} {line['size']}: on {risk['occurred_at'][:10]} it was found to be {risk['short']} short",
                *[f"because of {cause}" for cause in because[:2]],
                f"offered instead: {risk.get('offered') or 'no day yet'}; it is promised for {line['due']} now",
            ]

        question = "which promise did a loss put at risk, and what was the buyer offered?"
        self._ask("Office", question, ("GET", f"/v1/promises/{risk['promise']}"), short)

    def _all_of(self, kind: str) -> list[Any]:
        found, after = [], 0
        while page := self._client.ask("GET", f"/v1/entries?type={kind}&limit=1000&after={after}").body["entries"]:
            found += page
            after = page[-1]["position"]
        return found

    def kept(self) -> None:
        """From the cards of all promises: units that were there by their day, and units that were not."""
        after, lines = "", []
        while after is not None:
            page = self._client.ask("GET", f"/v1/promises?state=confirmed&limit=1000&after={after}").body
            lines += [line for card in page["promises"] for line in card["lines"].values()]
            after = page["next"]

        def short(body: Any) -> list[str]:
            del body
            counted = [line for line in lines if not line.get("confidence")]
            forecast = [line for line in lines if line.get("confidence")]
            told = [_kept("promised on counted stock", counted), _kept("promised on the forecast, at 90 in 100", forecast)]
            return [*told, f"of {len(lines)} lines of promises that were bought"]

        self._ask("Owner", "do we keep what we promise?", ("GET", "/v1/promises?state=confirmed&limit=1"), short)

    def december(self) -> None:
        """The last December that is over: the statement, and what came of it after it was closed."""
        today = datetime.now(UTC).date()
        first, last = f"{today.year - 1}-12-01", f"{today.year - 1}-12-31"

        def short(body: Any) -> list[str]:
            total = body["total"]
            pounds = {name: _pounds(amount["value"]) for name, amount in total["columns"].items() if amount["value"]}
            work = f"{pounds.get('work', '0.00')} of work, {pounds.get('space', '0.00')} of space"
            return [
                f"opening {_pounds(total['opening']['value'])}, and {work}",
                f"shipped {pounds.get('shipped', '0.00')}, lost beyond the normal {pounds.get('lost-abnormal', '0.00')}",
                f"closing {_pounds(total['closing']['value'])}: it ties to the penny, or it would not be given",
            ]

        self._ask(
            "Accountant",
            "does December tie?",
            ("GET", f"/v1/reports/movement?from={first}&to={last}&by=stage"),
            short,
        )
        self._ask(
            "Accountant",
            "what came after the month was closed?",
            ("GET", f"/v1/reports/late?from={today.year}-01-01&to={today.year}-01-31"),
            lambda body: [f"{len(body['entries'])} entries, booked in January, each with its true day"],
        )

    def proof(self) -> None:
        self._ask(
            "Inspector",
            "how do I know that nobody edited the books?",
            ("GET", "/v1/proof/head"),
            lambda body: [
                (
                    f"the log of {body['size']} entries has the head {body['root'][:16]}...; "
                    f"heads are signed and kept outside of the database, too"
                )
            ],
        )

    def farewell(self) -> None:
        self._console.print(
            f"\nAsk on: [cyan]curl -H 'Authorization: Bearer <key>' {escape(self._client.address)}/v1/stock[/cyan]\n",
            highlight=False,
            soft_wrap=True,
        )


def _written(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _sellable(offer: Any) -> str:
    stock = offer["stock"]
    kinds = {"finished": "finished", "held": "held", "stopped": "stopped", "promised": "promised", "buffer": "count buffer"}
    parts = ", ".join(f"{stock[kind]} {words}" for kind, words in kinds.items())
    return f"{offer['now']} ({offer['availability'].rsplit('/')[-1]}): {parts}"


def _ready(answer: Any) -> str:
    if answer["ready_by"] is None:
        return "not from anything that stands here now" + (f" ({answer['stale']})" if answer["stale"] else "")
    basis, sure = answer["basis"].replace("-", " "), round(100 * answer["confidence"])
    return f"{answer['ready_by']}, at {sure} in 100: what it rests on is {_RESTS_ON.get(answer['basis'], basis)}"


def _basket_line(line: Any) -> str:
    said = f"{line['crop']} {line['size']}: {line['granted']} of {line['asked']} {line['status']}"
    if line["granted"]:
        said += f" for {line['due']}" + (", later than asked" if line["later"] else "")
    if line["potting_on"]:
        said += f", to be potted on {line['potting_on']}"
    return said


def _cause(told: Any) -> str:
    units = f"{told['units']} {told.get('cause', '')}".strip()
    return f"the entry of {told['occurred_at'][:10]}: {told['type'].replace('-', ' ')} {units}"


def _kept(what: str, lines: list[Any]) -> str:
    kept, missed = (sum(line.get(name, 0) for line in lines) for name in ("kept", "missed"))
    share = f" ({100 * kept / (kept + missed):.1f} %)" if kept + missed else ""
    return f"{what}: {kept} plants were there by their day, {missed} were not{share}"


def _pounds(pence: int) -> str:
    return f"{'-' if pence < 0 else ''}{abs(pence) // 100:,}.{abs(pence) % 100:02d}"


def _two_slips(question: Any) -> str:
    one, other = question["first"]["told"], question["second"]["told"]
    return f"{question['kind']}: {one['type']} by {one['by']}, and {other['type']} by {other['by']}"


def _share(rate: Any) -> str:
    share = "" if rate["rate"] is None else f" = {100 * rate['rate']:.1f} %"
    return f"{rate['lost']} lost of {rate['of']}{share}"


def _stood(body: Any, batch: str) -> list[str]:
    units = sum(line["units"] for line in body["lines"] if line["batch"] == batch)
    total = ", ".join(f"{total} {unit}" for unit, total in body["total"].items())
    return [f"{units} of {batch}; of the whole crop {total}"]
