"""What the books prove of themselves: heads signed and kept outside, proofs, the close of a period, and the audit of the log.

Signing comes in this order: the head is computed from what is committed, signed, written outside, and only then told to the
log. Wherever that is broken off, every head outside is true of the log, and none in the log is missing outside. A period is
closed together with its head, in one turn of the pen: both or neither.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import IO, Any
from uuid import NAMESPACE_URL, UUID, uuid5

import msgspec
import psycopg
from msgspec import Struct

from ledger import answers, check_proof
from ledger.answers import Answer, Cursor, Unknown
from ledger.books import proof as tree
from ledger.check_proof import Finding, Head, Row
from ledger.log import store
from ledger.nursery import Nursery, Posted
from ledger.plants import closing
from ledger.plants.desk import day_of
from ledger.plants.entries import THE_LEDGER, Entry, HeadSigned, PeriodClosed
from ledger.plants.recorded import Move
from ledger.plants.refusals import Problem, Refusal, Refused, as_problem
from ledger.projections import proof, runner
from ledger.seal import Seal, Why, newest

_SPACE = uuid5(NAMESPACE_URL, "tallybench:proof")

# --- the shapes of answers -------------------------------------------------------------------------------------


class SignedHead(Struct, frozen=True, kw_only=True):
    """A head that was signed (Ed25519): over the first `size` entries the log has this root.

    The signature is over `tallybench head`, a newline, and at, root, size and why as canonical JSON.
    """

    size: int
    root: str
    at: str
    why: str
    key: str
    signature: str


class HeadAnswer(Answer, frozen=True, kw_only=True):
    """The proof as it stands: over `size` entries it has this root; and the head that was signed last, if any was.

    closed_to: the last closed day of the books.
    """

    size: int
    root: str
    closed_to: date | None
    head: SignedHead | None


class Inclusion(Struct, frozen=True, kw_only=True, tag_field="kind", tag="inclusion"):
    """That an entry, as it was stored, is in the log of `size` entries with that root, for which the signed head vouches."""

    position: int
    size: int
    root: str
    entry: str
    path: list[str]
    head: SignedHead | None


class Consistency(Struct, frozen=True, kw_only=True, tag_field="kind", tag="consistency"):
    """That the log of `to_size` entries begins with that of `from_size`; and the signed heads of those sizes."""

    from_size: int
    from_root: str
    to_size: int
    to_root: str
    path: list[str]
    heads: list[SignedHead]


class Late(Struct, frozen=True, kw_only=True):
    """An entry that came after its period was closed: it happened on one day, the books count it on another.

    of: the entry that it takes back. moves: its movements that count late; each has its own days where it has any.
    """

    position: int
    id: UUID
    type: str
    by: str
    occurred_at: datetime
    recorded_at: datetime
    happened_on: date
    booked_on: date
    of: UUID | None
    moves: list[Move]


class LateReport(Answer, frozen=True, kw_only=True):
    """What the books count between two days that had happened in a period closed by then."""

    since: date
    until: date
    entries: list[Late]


def _signed(head: Head | None) -> SignedHead | None:
    return SignedHead(**head._asdict()) if head is not None else None


# --- looking ---------------------------------------------------------------------------------------------------


def told_heads(cursor: Cursor) -> list[Head]:
    """Every head that the log tells of."""
    return [_told_head(row[0]) for row in cursor.execute(proof.SQL["told_heads"])]


def _told_head(content: str) -> Head:
    told = json.loads(content)["told"]
    return Head.read({**told, "at": told["occurred_at"]})


def head_answer(cursor: Cursor) -> HeadAnswer:
    """The proof as it stands."""
    size = proof.followed(cursor)
    return HeadAnswer(
        as_of=store.head(cursor),
        size=size,
        root=proof.ask(cursor, lambda look: tree.root(size, look)).hex(),
        closed_to=answers.nursery_card(cursor).closed_to,
        head=_signed(max(told_heads(cursor), default=None)),
    )


def inclusion(cursor: Cursor, position: int, size: int | None = None) -> Inclusion:
    """The proof of an entry, for the log of that size; for the first signed head that stands over it if none is named."""
    heads = told_heads(cursor)
    followed = proof.followed(cursor)
    if not 1 <= position <= followed:
        raise Unknown(f"there is no position {position}: the proof stands over {followed} entries")
    if size is None:
        head = newest(heads, position)
        if head is None:
            raise Unknown(
                f"no signed head stands over position {position} yet: one is signed each day, and by `tallybench head`"
            )
        size = head.size
    elif not position <= size <= followed:
        raise Unknown(f"a proof of position {position} is for a size of {position} to {followed}")
    row = cursor.execute(proof.SQL["content"], {"position": position}).fetchone()
    if row is None:
        raise Unknown(f"the entry of position {position} is missing: run `tallybench audit`")
    path, root = proof.ask(cursor, lambda look: (tree.inclusion(position - 1, size, look), tree.root(size, look)))
    return Inclusion(
        position=position,
        size=size,
        root=root.hex(),
        entry=row[0],
        path=[step.hex() for step in path],
        head=_signed(next((head for head in heads if head.size == size), None)),
    )


def consistency(cursor: Cursor, first: int, second: int) -> Consistency:
    """The proof that the log of one size begins with that of another."""
    followed = proof.followed(cursor)
    if not 1 <= first <= second <= followed:
        raise Unknown(f"sizes go from 1 to {followed}, the first no larger than the second")
    path, roots = proof.ask(
        cursor, lambda look: (tree.consistency(first, second, look), [tree.root(size, look).hex() for size in (first, second)])
    )
    heads = {head.size: head for head in told_heads(cursor) if head.size in (first, second)}
    return Consistency(
        from_size=first,
        from_root=roots[0],
        to_size=second,
        to_root=roots[1],
        path=[step.hex() for step in path],
        heads=[SignedHead(**head._asdict()) for head in heads.values()],
    )


def late_report(cursor: Cursor, since: date, until: date) -> LateReport:
    """What the books count between two days, with its true day, where that was in a closed period."""
    kept = (_late(msgspec.json.decode(row[0], type=_Kept)) for row in cursor.execute(answers.SQL["late"]))
    found = [late for late in kept if since <= late.booked_on <= until]
    return LateReport(as_of=store.head(cursor), since=since, until=until, entries=found)


class _Kept(Struct, frozen=True):
    """What of a stored row a report of late entries needs, whatever its schema."""

    position: int
    recorded_at: datetime
    booked_on: date
    told: dict[str, Any]
    happened_on: date | None = None
    moves: list[Move] = []


def _late(row: _Kept) -> Late:
    moves = [move for move in row.moves if move.happened_on or (row.happened_on and move.booked_on is None)]
    days = [(move.happened_on, move.booked_on) for move in moves if move.happened_on and move.booked_on]
    happened_on, booked_on = (row.happened_on, row.booked_on) if row.happened_on else min(days)
    told = row.told
    return Late(
        position=row.position,
        id=UUID(told["id"]),
        type=told["type"],
        by=told["by"],
        occurred_at=datetime.fromisoformat(told["occurred_at"]),
        recorded_at=row.recorded_at,
        happened_on=happened_on,
        booked_on=booked_on,
        of=UUID(told["entry"]) if told["type"] == "reversed" else None,
        moves=moves,
    )


# --- signing and closing ---------------------------------------------------------------------------------------


def _clock(cursor: Cursor) -> datetime:
    row = cursor.execute(answers.SQL["clock"]).fetchone()
    assert row is not None, "the migration makes the pen"
    clock: datetime = row[0]
    return clock


def next_head(cursor: Cursor, seal: Seal, why: Why, at: datetime | None = None) -> HeadSigned | None:
    """Sign the head over all that the proof has followed and write it outside; as it is to be told. None of an empty log.

    Raises NoSeal.
    """
    size = proof.followed(cursor)
    if size == 0:
        return None
    at = (at or _clock(cursor)).replace(microsecond=0)
    root = proof.ask(cursor, lambda look: tree.root(size, look)).hex()
    head = seal.sign(size, root, why, at)
    seal.keep(head)
    return HeadSigned(
        id=uuid5(_SPACE, head.signature), occurred_at=at, by=THE_LEDGER,
        size=size, root=root, key=head.key, signature=head.signature, why=why,
    )  # fmt: skip


def closing_entries(cursor: Cursor, seal: Seal, period: str, by: str, at: datetime | None = None) -> list[Entry]:
    """What is to be told, all or nothing, to close a month. Raises Refused where it cannot be closed, Unknown, and NoSeal.

    at: when it was closed; now if left out.
    """
    if by != THE_LEDGER:
        answers.reference(cursor, "person", by)
    nursery, at = answers.nursery_card(cursor), at or _clock(cursor)
    today = day_of(at, answers.policy_of(cursor))
    try:
        closing.may_close(period, today=today, first_on=nursery.first_on, closed_to=nursery.closed_to)
    except Refusal as refusal:
        raise Refused([as_problem(0, refusal)]) from refusal
    head = next_head(cursor, seal, "close", at)
    if head is None:
        raise Refused([Problem(index=0, code="not-closable", detail="there is nothing in the log", field="period")])
    closed = PeriodClosed(
        id=uuid5(_SPACE, f"{head.id}/{period}"), occurred_at=head.occurred_at, by=by,
        period=period, size=head.size, root=head.root,
    )  # fmt: skip
    return [head, closed]


def _followed(conninfo: str) -> None:
    with psycopg.connect(store.app_conninfo(conninfo), autocommit=True) as connection:
        runner.follow(connection)


def close_period(conninfo: str, nursery: Nursery, seal: Seal, period: str, by: str, at: datetime | None = None) -> Posted:
    """Close a month, in the name of a person. Raises Refused, NoSeal, Unavailable."""
    _followed(conninfo)
    with psycopg.connect(store.app_conninfo(conninfo)) as connection, runner.look(connection) as cursor:
        told = closing_entries(cursor, seal, period, by, at)
    return nursery.post(told, client=THE_LEDGER)


def sign_head(conninfo: str, nursery: Nursery, seal: Seal, why: Why = "asked", at: datetime | None = None) -> Head | None:
    """Sign a head and tell the log of it; for `day`, only once in a day, and only if anything came since the last one."""
    with contextlib.suppress(runner.Stuck):  # what stands still is another's; the head is over what the proof has followed
        _followed(conninfo)
    with psycopg.connect(store.app_conninfo(conninfo)) as connection, runner.look(connection) as cursor:
        if why == "day" and at is not None and not _is_due(cursor, at):
            return None
        told = next_head(cursor, seal, why, at)
    if told is None:
        return None
    nursery.post([told], client=THE_LEDGER)
    return max((head for head in seal.kept()[0] if head.signature == told.signature), default=None)


def _is_due(cursor: Cursor, at: datetime) -> bool:
    last, policy = answers.head_card(cursor), answers.policy_of(cursor)
    if last is None:
        return True
    return day_of(last.value.occurred_at, policy) < day_of(at, policy) and proof.followed(cursor) > last.position


# --- the audit -------------------------------------------------------------------------------------------------


class Audited(Struct, frozen=True, kw_only=True):
    """What an audit found: nothing, or what is wrong, and where.

    proved: so many entries are proved to be as they were by a signed head. outside: heads known outside of the database.
    """

    entries: int
    proved: int
    outside: int
    findings: list[Finding]
    remarks: list[str]


def audit(conninfo: str, seal: Seal, keys: Sequence[str] = ()) -> Audited:
    """Hold the log, as it stands in the database, against every head known, and what stands beside each content against it."""
    beside: list[Finding] = []
    with psycopg.connect(store.app_conninfo(conninfo)) as connection, runner.look(connection) as cursor:
        rows = list(_rows(connection, beside))
        kept = _leaves(connection)
        told, unreadable = [], 0
        for (content,) in cursor.execute(proof.SQL["told_heads"]):
            try:
                told.append(_told_head(content))
            except (ValueError, KeyError, TypeError):  # it is altered, and found so
                unreadable += 1
        pen = store.head(cursor)
    last = max((row.position for row in rows), default=0)
    if last != pen:
        beside.append(Finding("beside", last, last, f"the pen stands at {pen}, the log ends at {last}"))
    return _audited(rows, kept, seal, keys, told=told, beside=beside)


def audit_file(path: Path, seal: Seal, keys: Sequence[str] = ()) -> Audited:
    """Hold an exported copy of the log against every head known outside. Raises check_proof.Unreadable."""
    file = check_proof.read(path)
    if file.kind != "log":
        raise check_proof.Unreadable(f"{path} is no exported log")
    rows, kept = file.value
    return _audited(rows, kept, seal, keys, told=[], beside=[])


def _audited(
    rows: list[Row], kept: list[bytes] | None, seal: Seal, keys: Sequence[str], *, told: list[Head], beside: list[Finding]
) -> Audited:
    outside, broken = seal.kept()
    own = seal.key_if_any()
    trusted = frozenset([*keys, *([own] if own is not None else [])])
    heads, wrong = check_proof.check_heads({*outside, *told}, trusted)
    found = check_proof.audit(rows, kept, heads)
    remarks = [f"line {number} of {seal.heads_file} is no head: half written, or altered" for number in broken]
    if not outside:
        remarks.append(f"no head is known outside of the database: {seal.heads_file} is empty or not there")
    elif unknown := len(set(told) - set(outside)):
        remarks.append(f"{unknown} heads that the log tells of are not in {seal.heads_file}")
    if not trusted:
        remarks += [f"signed with {key}, which is not known here" for key in sorted({head.key for head in heads})]
    return Audited(
        entries=found.entries,
        proved=found.proved,
        outside=len(outside),
        findings=sorted([*found.findings, *wrong, *beside], key=lambda finding: (finding.first, finding.kind)),
        remarks=remarks,
    )


def _leaves(connection: store.Connection) -> list[bytes]:
    kept: list[bytes] = []
    with connection.cursor(name="leaves") as cursor:
        cursor.itersize = 20_000
        for number, hashed in cursor.execute(proof.SQL["leaves"]):
            kept += [b""] * (number - len(kept))
            kept.append(bytes(hashed))
    return kept


def _rows(connection: store.Connection, beside: list[Finding]) -> Iterator[Row]:
    with connection.cursor(name="rows") as cursor:
        cursor.itersize = 5_000
        for *columns, content in cursor.execute(proof.SQL["rows"]):
            row = check_proof.row_of(columns[0], content.encode())
            if row.says is not None and (wrong := _disagreeing(columns, json.loads(content))):
                detail = f"beside the content of position {row.position}, {', '.join(wrong)} do not agree with it"
                beside.append(Finding("beside", row.position, row.position, detail))
            yield row


_COLUMNS = ("position", "id", "type", "schema", "occurred_at", "recorded_at", "booked_on", "person", "client", "reverses")


def _disagreeing(columns: Sequence[Any], content: dict[str, Any]) -> list[str]:
    """The names of the columns that say something else than the content."""
    told = content.get("told") or {}
    says = {
        "position": content.get("position"),
        "id": told.get("id"),
        "type": told.get("type"),
        "schema": content.get("schema"),
        "occurred_at": told.get("occurred_at"),
        "recorded_at": content.get("recorded_at"),
        "booked_on": content.get("booked_on"),
        "person": told.get("by"),
        "client": content.get("client"),
        "reverses": told.get("entry") if told.get("type") == "reversed" else None,
    }
    return [name for name, value in zip(_COLUMNS, columns, strict=True) if not _same(value, says[name])]


def _same(value: Any, said: Any) -> bool:
    if isinstance(value, datetime):
        try:
            return value == datetime.fromisoformat(said)
        except (TypeError, ValueError):
            return False
    return bool(said == (value if value is None or isinstance(value, int) else str(value)))


# --- the export ------------------------------------------------------------------------------------------------


def export(connection: store.Connection, file: IO[bytes]) -> int:
    """Write the log, a line an entry: its leaf as it is kept, and the stored bytes. How many."""
    count = 0
    with connection.cursor(name="export") as cursor:
        cursor.itersize = 5_000
        for kept, content in cursor.execute(proof.SQL["log_with_leaves"]):
            stored = content.encode()
            file.write(
                (bytes(kept) if kept is not None else check_proof.leaf_of(stored)).hex().encode() + b" " + stored + b"\n"
            )
            count += 1
    return count
