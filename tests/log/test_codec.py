"""Between entries and bytes: one entry is always the same bytes, and a post is read strictly, with every fault named."""

from __future__ import annotations

import copy
import enum
import json
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any
from uuid import UUID

import msgspec
import pytest
import rfc8785
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ledger.log import codec
from ledger.plants.entries import TYPES, Told, type_of
from ledger.plants.recorded import Move, Question, Recorded
from ledger.plants.refusals import Problem, Refused
from tests.log import made_up
from tests.telling import Teller

Fact = dict[str, Any]

KINDS = sorted(TYPES)
_LINE = st.text(st.characters(exclude_categories=["Cs"]))
_PLAIN = st.none() | st.booleans() | st.integers(-(2**53), 2**53) | _LINE
every_kind = pytest.mark.parametrize("kind", KINDS)
briefly = settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def read(fact: Fact) -> Told:
    """One post, read from its bytes as the service reads it."""
    (told,) = codec.read_told(codec.read_json(json.dumps(fact).encode()))
    return told


def problems(posted: Any) -> list[Problem]:
    """The problems of a post that must be refused."""
    with pytest.raises(Refused) as refused:
        codec.read_told(posted)
    return refused.value.problems


# --- one entry, the same bytes ---------------------------------------------------------------------------------------


@every_kind
@briefly
@given(data=st.data())
def test_an_entry_is_kept_as_rfc_8785_writes_it(kind: str, data: st.DataObject) -> None:
    """Of every type and with any text, by a library that is not our encoder; and nothing that was told is missing."""
    told = read(data.draw(made_up.facts(kind)))
    kept = codec.canonical(told)
    assert rfc8785.dumps(json.loads(kept)) == kept
    assert read(json.loads(kept)) == told
    assert type_of(told) == kind


@every_kind
@briefly
@given(data=st.data(), position=st.integers(1, 2**53 - 1), client=st.text(st.characters(exclude_categories=["Cs"])))
def test_a_row_is_kept_as_rfc_8785_writes_it_and_read_as_it_was(
    kind: str, data: st.DataObject, position: int, client: str
) -> None:
    """The told part with its place in the log, its movements and its questions."""
    told: Any = read(data.draw(made_up.facts(kind)))
    at = datetime(2026, 9, 14, 8, 0, 0, data.draw(st.integers(0, 999_999)), tzinfo=UTC)
    move = Move(units=3, unit="cell", source="26W38-01W/rooted/H1", target="loss/rot", order="A-1")
    against = msgspec.structs.replace(move, at=at, booked_on=at.date(), count=UUID(int=7), order=None)
    row = Recorded(
        position=position,
        recorded_at=at,
        booked_on=at.date(),
        client=client,
        schema=TYPES[kind].SCHEMA,
        told=told,
        moves=(move, against),
        questions=(Question(kind="possible-duplicate", of=UUID(int=8)),),
    )
    kept = codec.encode(row)
    assert rfc8785.dumps(json.loads(kept)) == kept
    assert codec.decode(kept, kind, row.schema) == codec.decode(kept.decode(), kind, row.schema) == row


@every_kind
@briefly
@given(data=st.data())
def test_the_order_of_keys_and_the_spaces_between_them_mean_nothing(kind: str, data: st.DataObject) -> None:
    """The same content, however it was written, has the same digest."""
    fact = data.draw(made_up.facts(kind))
    turned = dict(data.draw(st.permutations(list(fact.items()))))
    (again,) = codec.read_told(codec.read_json(json.dumps(turned, indent=2, ensure_ascii=False).encode()))
    assert codec.digest(again) == codec.digest(read(fact))


@every_kind
@briefly
@given(data=st.data())
def test_what_is_left_out_is_the_same_as_its_default_told(kind: str, data: st.DataObject) -> None:
    """`covered: false`, or nothing said about a cover; and null is nothing said."""
    fact = data.draw(made_up.facts(kind))
    said = dict(fact)
    for field in msgspec.structs.fields(TYPES[kind]):
        if not field.required and field.encode_name not in fact:
            default = field.default if field.default is not msgspec.NODEFAULT else field.default_factory()
            said[field.encode_name] = msgspec.to_builtins(default)
    assert codec.digest(read(said)) == codec.digest(read(fact))


@every_kind
@briefly
@given(data=st.data(), minutes=st.integers(-14 * 60, 14 * 60))
def test_one_moment_is_the_same_bytes_in_every_offset(kind: str, data: st.DataObject, minutes: int) -> None:
    """Every time that a type can tell: nine in the morning here is eight elsewhere."""
    fact = data.draw(made_up.facts(kind))
    zone = timezone(timedelta(minutes=minutes))
    moments = {name for name, of in made_up.fields(kind).items() if made_up.is_moment(of)} & fact.keys()
    elsewhere = {name: datetime.fromisoformat(fact[name]).astimezone(zone).isoformat() for name in moments}
    assert "occurred_at" in moments
    assert codec.canonical(read({**fact, **elsewhere})) == codec.canonical(read(fact))


def other(value: Any) -> Any:
    """A value of the same kind that is not the same."""
    match value:
        case None:
            return "something"
        case enum.Enum():
            return next(word for word in type(value) if word is not value)
        case bool():
            return not value
        case int():
            return value + 1
        case str():
            return value + "X"
        case UUID():
            return UUID(int=value.int ^ 1)
        case datetime():
            return value + timedelta(microseconds=1)
        case date():
            return value + timedelta(days=1)
        case list():
            return value[:-1]
        case dict():
            return {**value, "X9": value[next(iter(value))]}
        case msgspec.Struct():
            return _with(value, value.__struct_fields__[0])
        case _:
            raise NotImplementedError(value)


def _with(record: msgspec.Struct, name: str) -> msgspec.Struct:
    """A copy with one field that is not the same, whether or not the rules would have it."""
    changed = copy.copy(record)
    msgspec.structs.force_setattr(changed, name, other(getattr(record, name)))
    return changed


@every_kind
@briefly
@given(data=st.data())
def test_the_digest_differs_where_any_told_field_differs(kind: str, data: st.DataObject) -> None:
    """The same id with other content can never pass for the same entry."""
    told = read(data.draw(made_up.facts(kind)))
    digests = {codec.digest(told)}
    changed = [name for name in told.__struct_fields__ if getattr(told, name) not in (None, [], {})]
    for name in changed:
        digests.add(codec.digest(_with(told, name)))  # type: ignore[arg-type]
    assert len(digests) == 1 + len(changed)


def test_the_digest_tells_types_apart() -> None:
    """Two types with the same fields and values are two entries."""
    fact = Teller().fact(
        "given-out", batch="26W38-01W", stage="rooted", place="H1", units=1, why="a gift", approved_by="potter"
    )
    assert codec.digest(read(fact)) != codec.digest(read({**fact, "type": "planted-as-stock"}))


# --- a body is read strictly -----------------------------------------------------------------------------------------


def unreadable(body: bytes) -> str:
    """Why a body cannot be read."""
    with pytest.raises(codec.Unreadable) as refused:
        codec.read_json(body)
    return str(refused.value)


@pytest.mark.parametrize(
    "body",
    [b'{"units": 1, "units": 1}', b'[{"a": {"units": 1, "units": 2}}]', b'{"u\\u006eits": 1, "units": 2}', b'{"": 1, "": 2}'],
)
def test_a_key_stands_once_in_an_object(body: bytes) -> None:
    """Nobody can know which of the two was meant; also where one is written with an escape."""
    assert "twice" in unreadable(body)


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity"])
def test_what_is_no_number_in_json_is_no_number(number: str) -> None:
    """Python's own reader would take it."""
    assert number in unreadable(f'{{"units": {number}}}'.encode())


@pytest.mark.parametrize("opening", ["[", '{"a":'])
def test_a_body_is_nested_a_dozen_deep_and_no_deeper(opening: str) -> None:
    """Entries need four levels; a hundred thousand are no overflow either."""
    closing = "]" if opening == "[" else "}"

    def nested(levels: int) -> bytes:
        return (opening * levels + "1" + closing * levels).encode()

    codec.read_json(nested(12))
    for levels in (13, 100_000):
        assert "deep" in unreadable(nested(levels))


@pytest.mark.parametrize(
    "body",
    [b"", b" ", b"{", b"{]", b'{"a": 1}}', b"{'a': 1}", b'{"a": 01}', b'{"a": "\n"}', b"\xef\xbb\xbf{}", b"\xff\xfe{\x00}\x00"],
)
def test_what_is_not_json_is_refused_in_words(body: bytes) -> None:
    """Half a body, two bodies, other people's syntax, other encodings."""
    assert "JSON" in unreadable(body) or "UTF-8" in unreadable(body)


@pytest.mark.parametrize("half", ["\\ud800", "\\uDC00", "\\udc00\\ud800"])
def test_half_a_character_is_refused_wherever_it_stands(half: str) -> None:
    """It could not be kept; a whole one can, escaped or not."""
    for body in (f'{{"note": "{half}"}}', f'{{"{half}": 1}}', f'["{half}"]'):
        assert "half a character" in unreadable(body.encode())
    assert codec.read_json(b'["\\ud83c\\udf31"]') == ["\N{SEEDLING}"]


@pytest.mark.parametrize("digits", [19, 20, 21, 400, 100_000])
def test_a_long_number_is_read_quickly_and_fits_no_field(digits: int) -> None:
    """Python takes long over, or refuses, whole numbers of many figures."""
    fact = codec.read_json(
        json.dumps(Teller().fact("person-set", code="x", name="x"))[:-1].encode() + b', "note": ' + b"9" * digits + b"}"
    )
    assert {problem.field for problem in problems(fact)} == {"note"}


@given(
    value=st.recursive(
        _PLAIN, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_LINE, inner, max_size=3), max_leaves=9
    )
)
def test_a_body_says_what_it_says(value: Any) -> None:
    """Strictness changes nothing that can be meant."""
    assert codec.read_json(json.dumps(value).encode()) == value
    assert codec.read_json(json.dumps(value, ensure_ascii=False).encode()) == value


# --- every fault is named --------------------------------------------------------------------------------------------


@every_kind
@briefly
@given(data=st.data())
def test_every_field_that_is_not_of_its_shape_is_named(kind: str, data: st.DataObject) -> None:
    """All of them in one answer, each with its field, and no other."""
    fact = data.draw(made_up.facts(kind))
    told = sorted(fact.keys() - {"type"})
    broken = set(data.draw(st.lists(st.sampled_from(told), min_size=1, unique=True)))
    unknown = {"colour"} if data.draw(st.booleans()) else set()
    wrong: Any = {"of no": "shape"}
    found = problems({**fact, **dict.fromkeys(broken | unknown, wrong)})
    assert [problem.code for problem in found] == ["malformed"] * len(broken | unknown)
    assert {problem.field for problem in found} == broken | unknown


@every_kind
@briefly
@given(data=st.data())
def test_every_field_that_is_missing_is_named(kind: str, data: st.DataObject) -> None:
    """Beside those that are broken."""
    fact = data.draw(made_up.facts(kind))
    required = sorted(field.encode_name for field in msgspec.structs.fields(TYPES[kind]) if field.required)
    missing = set(data.draw(st.lists(st.sampled_from(required), min_size=1, unique=True)))
    left = {name: value for name, value in fact.items() if name not in missing}
    found = problems({**left, "note": 5})
    assert sorted(str(problem.field) for problem in found) == sorted([*missing, "note"])


def test_the_faults_of_every_entry_of_a_list_are_named_with_its_place() -> None:
    """A contradiction in the first, two faults in the third, no type in the last; the second is sound."""
    teller = Teller()
    lost = {"batch": "26W38-01W", "stage": "rooted", "place": "H1", "units": 1, "cause": "rot"}
    posted: Sequence[Any] = [
        teller.fact("lost", **lost, order="A-1"),
        teller.fact("lost", **lost),
        teller.fact("lost", **{**lost, "units": 0, "cause": "bad luck"}),
        {"kind": "lost"},
        "lost",
    ]
    assert [(problem.index, problem.code, problem.field) for problem in problems(posted)] == [
        (0, "contradiction", "order"),
        (2, "malformed", "units"),
        (2, "malformed", "cause"),
        (3, "malformed", "type"),
        (4, "malformed", None),
    ]


def test_a_fault_beside_a_contradiction_is_named_first() -> None:
    """Figures that are no figures cannot be added up."""
    potted = {"batch": "26W38-01W", "place": "H1", "size": "P9", "plugs": "many", "pots": 3, "to": "G1"}
    assert [(found.code, found.field) for found in problems(Teller().fact("potted", **potted))] == [("malformed", "plugs")]


@pytest.mark.parametrize("count", [0, codec.MOST_ENTRIES + 1])
def test_a_list_has_at_least_one_entry_and_not_too_many(count: int) -> None:
    """A bound on every body."""
    fact = Teller().fact("person-set", code="x", name="x")
    (problem,) = problems([fact] * count)
    assert (problem.code, str(count) in problem.detail) == ("malformed", True)


def test_a_hundred_problems_are_enough() -> None:
    """An answer has a bound as well."""
    assert len(problems([{}] * 500)) == 100
    assert len(problems({"type": "lost", **{f"field-{number}": 1 for number in range(500)}})) == 100


@pytest.mark.parametrize("value", [1, True, "person-set", None, [[]], 1.5])
def test_what_is_no_object_is_no_entry(value: Any) -> None:
    """It is told what an entry is."""
    (problem,) = problems(value)
    assert problem.code == "malformed"


@pytest.mark.parametrize("kind", [None, "", "Lost", "lost ", 5, ["lost"], {"lost": 1}])
def test_a_type_outside_the_set_is_answered_with_the_set(kind: Any) -> None:
    """It is closed, and short enough to show."""
    (problem,) = problems({**Teller().fact("lost"), "type": kind})
    assert (problem.code, problem.field) == ("malformed", "type")
    assert all(name in problem.detail for name in TYPES)


@pytest.mark.parametrize("year", ["0001", "1899", "9999"])
@pytest.mark.parametrize("field", ["occurred_at", "re_entry_ends"])
def test_a_time_at_the_end_of_the_calendar_is_a_slip(year: str, field: str) -> None:
    """It could not be told in every time zone, and is no year of this nursery."""
    fact = {**Teller().fact("treated", product="soap", places=["G1"]), field: f"{year}-01-01T00:00:00+00:00"}
    (problem,) = problems(fact)
    assert (problem.code, problem.field) == ("malformed", field)


@pytest.mark.parametrize("text", ["2026-09-14", "2026-09-14T08:00:00", "yesterday", 1789372800, "2026-02-30T08:00:00Z"])
def test_a_time_is_told_with_its_offset(text: Any) -> None:
    """Half past eight is nothing without it."""
    (problem,) = problems({**Teller().fact("person-set", code="x", name="x"), "occurred_at": text})
    assert (problem.code, problem.field) == ("malformed", "occurred_at")
