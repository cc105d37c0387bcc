"""The named queries: each has its sentence, its columns named and a place where it is used, and the server understands it.

The files are read here in their own way, so that a query that the program's loader overlooks is found, too.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import psycopg
import pytest
from psycopg import errors

from ledger import answers, ground, keys, losses, origin, pictures, rounds, statements
from ledger.log import queries, store
from ledger.projections import books, cards, lines, passages, proof, runner

ROOT = Path(__file__).parent.parent
FILES = sorted(path for path in (ROOT / "ledger").rglob("*.sql") if ".tables." not in path.name)
LOADED = {
    "boards.sql": rounds.SQL,
    "books.sql": books.SQL,
    "cards.sql": cards.SQL,
    "ground.sql": ground.SQL,
    "keys.sql": keys.SQL,
    "lines.sql": lines.SQL,
    "log.sql": store.SQL,
    "losses.sql": losses.SQL,
    "origin.sql": origin.SQL,
    "passages.sql": passages.SQL,
    "pictures.sql": pictures.SQL,
    "proof.sql": proof.SQL,
    "reads.sql": answers.SQL,
    "runner.sql": runner.SQL,
    "statement.sql": statements.SQL,
}
#: what the application's role may not do: whoever runs these is the owner
OWNERS = {("keys.sql", "make"), ("keys.sql", "revoke"), ("runner.sql", "register")}


class Query(NamedTuple):
    """A query as it stands in its file."""

    file: str
    name: str
    sentence: str
    body: str


def read(path: Path) -> Iterator[Query]:
    """All queries of a file: a name, a sentence in remarks, the statement."""
    for part in path.read_text("utf-8").split("-- name: ")[1:]:
        name, *rest = part.splitlines()
        remarks = [line for line in rest if line.startswith("-- ")]
        body = "\n".join(line for line in rest if not line.startswith("-- ")).strip()
        yield Query(path.name, name, " ".join(line.removeprefix("-- ") for line in remarks), body)


QUERIES = [query for path in FILES for query in read(path)]
each = pytest.mark.parametrize("query", QUERIES, ids=[f"{query.file}: {query.name}" for query in QUERIES])


def test_the_program_loads_every_query_of_every_file() -> None:
    """Under the name that it has there, and each name once."""
    assert {path.name for path in FILES} == LOADED.keys()
    assert len(QUERIES) == len({(query.file, query.name) for query in QUERIES}) == sum(map(len, LOADED.values()))
    for query in QUERIES:
        assert LOADED[query.file][query.name].endswith(query.body)
    for path in FILES:
        assert path.read_text("utf-8").startswith("-- name: ")


@each
def test_every_query_has_one_sentence(query: Query) -> None:
    """That says what it gives or does, before the statement."""
    assert re.fullmatch(r"[A-Z][^.]+\.", query.sentence), query.sentence
    assert query.body


@each
def test_columns_are_named(query: Query) -> None:
    """A column added to a table changes no answer: `*` stands only for the arrays just named, for counts and for times."""
    left = query.body.replace("count(*)", "").replace("select * from unnest(", "")
    left = re.sub(r"(?<=\w) \* (?=\()", " times ", left)
    assert "*" not in re.sub(r"'[^']*'", "", left)
    assert len(re.findall(r"insert into \w+\s*\(", query.body)) == query.body.count("insert into")


# --- on the server ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def connections(cluster: str, template_database: str) -> Iterator[dict[str, psycopg.Connection]]:
    """To a database in which nothing is changed: as the application's role and as the owner."""
    with psycopg.connect(cluster, autocommit=True) as outside:
        name = f"{template_database}_read"
        outside.execute(f"create database {name} template {template_database}".encode())
        conninfo = psycopg.conninfo.make_conninfo(cluster, dbname=name)
        try:
            with (
                psycopg.connect(store.app_conninfo(conninfo)) as application,
                psycopg.connect(store.owner_conninfo(conninfo)) as owner,
            ):
                yield {"application": application, "owner": owner}
        finally:
            outside.execute(f"drop database {name} with (force)".encode())


@each
def test_the_server_understands_every_query(query: Query, connections: dict[str, psycopg.Connection]) -> None:
    """Tables, columns, types and rights are there: as the role that runs it, which is the owner for a few."""
    understood(query, connections["owner"])
    if (query.file, query.name) in OWNERS:
        with pytest.raises(errors.InsufficientPrivilege):
            understood(query, connections["application"])
    else:
        understood(query, connections["application"])


def understood(query: Query, connection: psycopg.Connection) -> None:
    """Have the statement planned, with nulls for what is asked; what has no plan is carried out. All is taken back."""
    parameters = dict.fromkeys(re.findall(r"%\((\w+)\)[sb]", query.body))
    planned = re.match(r"(select|insert|update|delete|with)\b", query.body)
    statement = f"explain {query.body}" if planned else query.body
    with connection.transaction(force_rollback=True):
        connection.execute(statement.encode(), parameters or None)


# --- in the program --------------------------------------------------------------------------------------------


class Use(NamedTuple):
    """`SQL[...]` in a module: of which file, and a pattern for the names that it can mean."""

    where: str
    file: str
    pattern: str


def module_of(path: Path) -> str:
    """The name under which a file of the program is imported."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


MODULES = {
    module_of(path): ast.parse(path.read_text("utf-8")) for top in ("ledger", "api") for path in (ROOT / top).rglob("*.py")
}


def own_file(tree: ast.Module) -> str | None:
    """The file that a module loads as its `SQL`."""
    for node in tree.body:
        match node:
            case ast.Assign(targets=[ast.Name("SQL")], value=ast.Call(args=[ast.Constant(), ast.Constant(str(file))])):
                return file
            case _:
                pass
    return None


OWN = {name: file for name, tree in MODULES.items() if (file := own_file(tree)) is not None}


def pattern_of(node: ast.expr) -> str | None:
    """What a text written in the program can be: itself, or anything that fits its holes. None for no text."""
    match node:
        case ast.Constant(str(text)):
            return re.escape(text)
        case ast.JoinedStr(values) if any(isinstance(part, ast.Constant) for part in values):
            return "".join(re.escape(str(part.value)) if isinstance(part, ast.Constant) else r"\w+" for part in values)
    return None


def uses() -> Iterator[Use]:
    """Every look-up of a query. Where the name is a variable, any text of that module may be meant."""
    for module, tree in MODULES.items():
        files = {"SQL": OWN[module]} if module in OWN else {}
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                for alias in node.names:
                    name = alias.asname or alias.name
                    if alias.name == "SQL":
                        files["SQL"] = OWN[node.module or ""]
                    elif f"{node.module}.{alias.name}" in OWN:
                        files[f"{name}.SQL"] = OWN[f"{node.module}.{alias.name}"]
        texts = [pattern for node in ast.walk(tree) if isinstance(node, ast.expr) and (pattern := pattern_of(node))]
        for node in ast.walk(tree):
            if isinstance(node, ast.Subscript) and (file := files.get(ast.unparse(node.value))):
                pattern = pattern_of(node.slice)
                for one in [pattern] if pattern else texts:
                    yield Use(module if pattern else "", file, one)


USES = list(uses())


@each
def test_every_query_is_used(query: Query) -> None:
    """What nobody asks is deleted."""
    assert any(use.file == query.file and re.fullmatch(use.pattern, query.name) for use in USES)


def test_every_query_that_is_used_is_there() -> None:
    """By its name in the file that the module loads."""
    wanting = [
        use
        for use in USES
        if use.where and not any(use.file == query.file and re.fullmatch(use.pattern, query.name) for query in QUERIES)
    ]
    assert wanting == []


def test_no_sql_is_put_together_in_the_program() -> None:
    """What is executed is a named query, a whole file, a constant, or psycopg's own composition of names."""
    for module, tree in MODULES.items():
        for node in ast.walk(tree):
            match node:
                case ast.Call(func=ast.Attribute(attr="execute"), args=[statement, *_]):
                    assert not isinstance(statement, ast.JoinedStr | ast.BinOp), f"{module}: {ast.unparse(node)}"
                case _:
                    pass


def test_the_loader_gives_each_query_with_its_sentence() -> None:
    """The remark goes along, so that the server's log of slow statements explains itself."""
    for name, body in queries.load("ledger.log", "log.sql").items():
        assert body.startswith("-- "), name
        assert "-- name:" not in body
