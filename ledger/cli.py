"""The command line. Tables for people, JSON with --json, and exit codes that scripts can rely on.

0 done; 1 refused, or verify found a difference; 2 not understood; 3 the database or its schema is not right.
It starts the server by its name and imports nothing from api/.
"""

from __future__ import annotations

import contextlib
import getpass
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from functools import partial, wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, get_args

import click
import msgspec
import psycopg
from psycopg.conninfo import conninfo_to_dict, make_conninfo
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from ledger import (
    answers,
    bulk,
    check_proof,
    keys,
    logs,
    losses,
    measured,
    past,
    postgres,
    printed,
    prints,
    proving,
    schema,
    serving,
    statements,
    worker,
)
from ledger.books.kept import KeptBy
from ledger.books.shrink import Grouping
from ledger.books.statement import DoesNotTie, StatementBy
from ledger.forecast.calibration import Row
from ledger.log import codec, store
from ledger.nursery import Nursery, Unavailable
from ledger.plants.desk import day_of
from ledger.plants.entries import THE_LEDGER, Stage
from ledger.plants.refusals import Problem, Refused
from ledger.printing import labels, tables
from ledger.printing.tables import Report
from ledger.projections import runner
from ledger.seal import NoSeal, Seal

REFUSED, WRONG_DATABASE = 1, 3
ENTRIES_A_POST = 500
MOST_LINES = 100_000
LOCK_SECONDS = 10

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")

out = Console()
err = Console(stderr=True)


# --- what every command shares ---------------------------------------------------------------------------------


def _clear_errors(command: Callable[Parameters, Result]) -> Callable[Parameters, Result]:
    """Every expected trouble as one sentence that says what to do, with its exit code."""

    @wraps(command)
    def run(*args: Parameters.args, **kwargs: Parameters.kwargs) -> Result:
        try:
            return command(*args, **kwargs)
        except (codec.Unreadable, answers.Unknown, check_proof.Unreadable, NoSeal) as error:
            err.print(str(error), style="red", markup=False, soft_wrap=True)
            sys.exit(REFUSED)
        except (postgres.DatabaseUnavailable, schema.WrongSchema, runner.WrongVersion, runner.Stuck, Unavailable) as error:
            err.print(str(error), style="red", markup=False, soft_wrap=True)
            sys.exit(WRONG_DATABASE)
        except statements.StillToCome as error:
            raise click.UsageError(str(error)) from error
        except DoesNotTie as error:
            err.print(f"{error}: run `tallybench verify`", style="red", markup=False, soft_wrap=True)
            sys.exit(REFUSED)
        except psycopg.OperationalError as error:
            err.print(f"the database cannot be reached: {error}", style="red", markup=False)
            sys.exit(WRONG_DATABASE)

    return run


@contextlib.contextmanager
def _database(*, check: bool = True) -> Iterator[str]:
    """The nursery's own database; checked to be on this program's schema."""
    with postgres.open_database(_database_name()) as conninfo:
        if check:
            schema.check(conninfo)
        yield conninfo


def _database_name() -> str:
    return DEMO_DATABASE if os.environ.get("TALLYBENCH_DEMO") else postgres.OWN_DATABASE


@contextlib.contextmanager
def _look(*, follow: bool = False) -> Iterator[answers.Cursor]:
    """A cursor that sees one moment; with `follow`, after the projections have caught up."""
    with _database() as conninfo:
        if follow:
            with psycopg.connect(store.app_conninfo(conninfo), autocommit=True) as connection:
                runner.follow(connection)
        with psycopg.connect(store.app_conninfo(conninfo)) as connection, runner.look(connection) as cursor:
            yield cursor


@contextlib.contextmanager
def _progress(what: str, total: int | None) -> Iterator[Callable[[int], None]]:
    """A progress bar in a terminal, nothing elsewhere."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=err, disable=not err.is_terminal) as bar:
        task = bar.add_task(what, total=total)
        yield lambda steps: bar.advance(task, steps)


def _period(cursor: answers.Cursor, since: datetime | None, until: datetime | None) -> tuple[date, date]:
    """First and last day of a report; all until today where none is named."""
    today = day_of(datetime.now(UTC), answers.policy_of(cursor))
    first, last = since.date() if since else date(2000, 1, 1), until.date() if until else today
    if first > last:
        raise click.UsageError(f"the period ends ({last}) before it begins ({first})")
    return first, last


def _print_json(value: object) -> None:
    click.echo(msgspec.json.format(msgspec.json.encode(value)))


def _table(title: str, *columns: str) -> Table:
    table = Table(title=title, title_justify="left")
    for column in columns:
        right = column in ("units", "lost", "of", "rate", "low", "high", "batches", "cells", "sum", "entries")
        table.add_column(column, justify="right" if right else "left")
    return table


PDF = click.Path(dir_okay=False, writable=True, path_type=Path)
ADDRESS_HELP = "Where the pages are served, for links; as set (prints-set, TALLYBENCH_ADDRESS) if left out."
as_json = click.option("--json", "as_json", is_flag=True, help="JSON instead of a table.")


def as_file(command: Callable[Parameters, Result]) -> Callable[Parameters, Result]:
    """The options of a report that can be kept as a file."""
    kind = click.option(
        "--format",
        "kind",
        type=click.Choice(printed.FORMATS),
        help="A file instead of a table; by the name of --out if left out.",
    )
    path = click.option(
        "--out", "path", type=click.Path(dir_okay=False, writable=True, path_type=Path), help="Where to write it."
    )
    return kind(path(command))


def _file_kind(kind: printed.Format | None, path: Path | None, *, as_json: bool) -> printed.Format | None:
    """As what a report is to be written, before it is made: None for a table or JSON on the screen."""
    if kind is None and path is None:
        return None
    if as_json:
        raise click.UsageError("--json is for the screen: leave it out, or --format and --out")
    ending = path.suffix.lower().removeprefix(".") if path is not None else ""
    found = kind or next((each for each in printed.FORMATS if each == ending), None)
    if found is None:
        raise click.UsageError(f"--out {path} does not end in {', '.join(printed.FORMATS)}: name the --format")
    if path is None and found != "csv" and sys.stdout.isatty():
        raise click.UsageError(f"{found} is not for a screen: say with --out where to write it")
    return found


def _write(report: Report, kind: printed.Format, path: Path | None) -> None:
    """Write a report whole: what stood in the file stays until the new one is there."""
    content = printed.as_bytes(report, kind)
    if path is None:
        click.echo(content, nl=False)
        return
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(content)
        part.replace(path)
    except OSError as error:
        raise click.UsageError(f"{path} cannot be written: {error.strerror}") from error
    finally:
        part.unlink(missing_ok=True)
    err.print(f"{path} is written", markup=False, soft_wrap=True)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="tallybench")
def main() -> None:
    """Count every plant from cutting to customer, and promise only what will be there.

    The database is an embedded PostgreSQL under your data folder, or the one that DATABASE_URL names.
    """
    logs.quiet()


# --- running ---------------------------------------------------------------------------------------------------


@main.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Where to listen. Put a TLS proxy before anything wider.")
@click.option("--port", default=8787, show_default=True, type=click.IntRange(1, 65535), help="The port to listen on.")
@_clear_errors
def serve(host: str, port: int) -> None:
    """Serve the API until stopped."""
    _port_is_free(host, port)
    with _database(check=False) as conninfo, postgres.Watch():
        serving.serve(conninfo, host, port, lambda: err.print(f"Tallybench serves on http://{host}:{port} (the API: /docs)"))


def _port_is_free(host: str, port: int) -> None:
    if not serving.is_free(host, port):
        raise click.UsageError(f"something listens on {host}:{port} already: stop it, or choose another --port")


@main.command()
@_clear_errors
def work() -> None:
    """Forecast until stopped; `serve` does this beside itself. A second worker on one ledger waits for the first to end."""
    with _database() as conninfo, postgres.Watch():
        worker.work(conninfo)


@main.command()
@_clear_errors
def migrate() -> None:
    """Bring the database, empty or old, to this program's schema."""
    with _database(check=False) as conninfo:
        schema.migrate(conninfo)
    err.print("the database is on this program's schema")


# --- keys ------------------------------------------------------------------------------------------------------


@main.group()
def key() -> None:
    """The keys of systems and devices."""


@key.command("make")
@click.argument("name")
@click.option("--role", type=click.Choice(sorted(keys.ROLES)), help="A role, which is a set of scopes.")
@click.option("--scope", "scopes", multiple=True, type=click.Choice(keys.SCOPES), help="A scope; may be given again.")
@click.option("--days", type=click.IntRange(1, 3650), help="How long it holds; for ever if left out.")
@click.option("--card", "card", type=PDF, help="Print a sign-in card for the device into this PDF.")
@click.option("--address", help=ADDRESS_HELP)
@as_json
@_clear_errors
def make_key(
    name: str,
    role: str | None,
    scopes: tuple[keys.Scope, ...],
    days: int | None,
    card: Path | None,
    address: str | None,
    as_json: bool,
) -> None:
    """Make a key for NAME and show it, for the only time."""
    wanted = sorted({*scopes, *(keys.ROLES[role] if role else ())})
    if not wanted:
        raise click.UsageError("give a --role or at least one --scope")
    expires_at = datetime.now(UTC) + timedelta(days=days) if days else None
    ordered = [scope for scope in keys.SCOPES if scope in wanted]
    with _database() as conninfo:
        base = _address(conninfo, address) if card is not None else ""
        made = keys.make(conninfo, name, ordered, expires_at)
    if card is not None:
        _write_card(prints.sign_in_card(made, role or "device", name, ordered, base, expires_at), card)
    if as_json:
        _print_json({"key": made, "name": name, "scopes": wanted, "expires_at": expires_at})
    else:
        click.echo(made)
        err.print("Keep it now: only its hash is stored.")


def _address(conninfo: str, given: str | None) -> str:
    """Where links lead to."""
    with psycopg.connect(store.app_conninfo(conninfo)) as connection, runner.look(connection) as cursor:
        base = given or prints.address(cursor, None)
    if base is None:
        raise click.UsageError(f"where are the pages served? Say it with --address, or {prints.ADDRESS}, or set prints")
    return base


def _write_card(card: labels.Card, path: Path) -> None:
    """A card that only its owner may read: it is a key."""
    path.touch(mode=0o600)
    path.chmod(0o600)
    _write_pdf(labels.as_card(card, datetime.now(UTC)), path)


def _write_pdf(content: bytes, path: Path) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise click.UsageError(f"{path} cannot be written: {error.strerror}") from error
    err.print(f"{path} is written", markup=False, soft_wrap=True)


@main.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--address", help=ADDRESS_HELP)
@_clear_errors
def cards(folder: Path, address: str | None) -> None:
    """Make a key for each role that reads the pages, and print its sign-in card into FOLDER."""
    with _database() as conninfo:
        write_cards(conninfo, folder, _address(conninfo, address))


def write_cards(conninfo: str, folder: Path, base: str) -> None:
    """A new key and its card for each role that reads the pages."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    for role, scopes in keys.ROLES.items():
        if "read" in scopes:
            made = keys.make(conninfo, f"card {role}", scopes)
            _write_card(prints.sign_in_card(made, role, f"card {role}", scopes, base, None), folder / f"{role}.pdf")


def _tag_options(command: Callable[Parameters, Result]) -> Callable[Parameters, Result]:
    """How tags are printed."""
    options = (
        click.argument("number"),
        click.option("--format", "form", type=click.Choice(["sheet", "stake"]), default="sheet", show_default=True),
        click.option("--width", type=click.FloatRange(10, 297), help="Of a label, in mm."),
        click.option("--height", type=click.FloatRange(10, 297), help="Of a label, in mm."),
        click.option("--address", help=ADDRESS_HELP),
        click.option("--out", "path", type=PDF, required=True, help="Where to write the PDF."),
    )
    for option in reversed(options):
        command = option(command)
    return command


@main.command()
@_tag_options
@click.option("--trays", type=click.IntRange(1, 10_000), help="As many as the plants fill if left out.")
@click.option("--first", type=click.IntRange(1, 10_000), default=1, help="Begin with this tray.")
@_clear_errors
def tags(trays: int | None, first: int, **asked: Any) -> None:
    """Print a tag for each tray of batch NUMBER, at most 200 to a file."""
    _print_tags(lambda found: prints.tray_tags(found, trays, first), **asked)


@main.command("labels")
@_tag_options
@click.option("--many", type=click.IntRange(1, prints.MOST_TAGS), help="One for each pot if left out.")
@_clear_errors
def pot_labels(many: int | None, **asked: Any) -> None:
    """Print a label for each pot of batch NUMBER, at most 200 to a file."""
    _print_tags(lambda found: prints.pot_labels(found, many), **asked)


def _print_tags(
    chosen: Callable[[prints.Batch], list[labels.Tag]],
    *,
    number: str,
    form: str,
    width: float | None,
    height: float | None,
    address: str | None,
    path: Path,
) -> None:
    with _database() as conninfo:
        base = _address(conninfo, address)
        with psycopg.connect(store.app_conninfo(conninfo)) as connection, runner.look(connection) as cursor:
            found = prints.batch(cursor, number, base.rstrip("/"), datetime.now(UTC))
    try:
        _write_pdf(labels.as_tags(chosen(found), labels.form_of(form, width, height), datetime.now(UTC)), path)
    except labels.TooSmall as error:
        raise click.UsageError(str(error)) from None


@key.command("list")
@as_json
@_clear_errors
def list_keys(as_json: bool) -> None:
    """All keys, the newest first."""
    with _database() as conninfo:
        found = keys.listed(conninfo)
    if as_json:
        _print_json(found)
        return
    table = _table("Keys", "prefix", "name", "scopes", "made", "expires", "last used", "state")
    now = datetime.now(UTC)
    for kept in found:
        expired = kept.expires_at is not None and kept.expires_at <= now
        state = "revoked" if kept.revoked_at else "expired" if expired else "in force"
        expires, used = str(kept.expires_at.date()) if kept.expires_at else "never", str(kept.last_used_on or "never")
        table.add_row(kept.prefix, kept.name, " ".join(kept.scopes), str(kept.made_at.date()), expires, used, state)
    out.print(table)


@key.command("revoke")
@click.argument("prefix")
@_clear_errors
def revoke_key(prefix: str) -> None:
    """End the key with this PREFIX; a running server forgets it within five seconds."""
    with _database() as conninfo:
        name = keys.revoke(conninfo, prefix)
    if name is None:
        err.print(f"no key in force has the prefix {prefix}: `tallybench key list` shows them", style="red", markup=False)
        sys.exit(REFUSED)
    err.print(f"the key of {name} is revoked")


# --- entries ---------------------------------------------------------------------------------------------------


@main.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--all-or-nothing/--in-parts", default=True, show_default=True, help="One list, or lists of 500.")
@as_json
@_clear_errors
def entry(file: Path, all_or_nothing: bool, as_json: bool) -> None:
    """Post the entries of FILE (JSON lines, or CSV with a head line). The same file twice is written once."""
    lines = bulk.read(file)
    size = codec.MOST_ENTRIES if all_or_nothing else ENTRIES_A_POST
    if all_or_nothing and len(lines) > size:
        raise click.UsageError(f"{len(lines)} entries are more than the {size} that can stand or fall together: use --in-parts")
    last = 0
    with _database() as conninfo, Nursery(conninfo) as nursery, _progress("posting", len(lines)) as step:
        for start in range(0, len(lines), size):
            part = lines[start : start + size]
            try:
                last = nursery.post(codec.read_told([line.entry for line in part]), client=f"cli:{_user()}").as_of
            except Refused as refused:
                _print_problems(refused.problems, part, before=lines[:start])
                sys.exit(REFUSED)
            step(len(part))
    if as_json:
        _print_json({"entries": len(lines), "as_of": last})
    else:
        err.print(f"{len(lines)} entries stand in the ledger, the last at position {last}")


def _print_problems(problems: list[Problem], part: list[bulk.Line], before: list[bulk.Line]) -> None:
    for problem in problems:
        where = f"line {part[problem.index].number}" + (f", {problem.field}" if problem.field else "")
        err.print(f"{where}: {problem.detail} [{problem.code}]", style="red", markup=False, soft_wrap=True)
    if before:
        err.print(f"the {len(before)} entries up to line {before[-1].number} were written, nothing after them")
    else:
        err.print("nothing was written")


def _user() -> str:
    with contextlib.suppress(OSError, KeyError):
        return getpass.getuser()
    return "unknown"


# --- looking ---------------------------------------------------------------------------------------------------


@main.command()
@click.option("--crop", help="Only this crop.")
@click.option("--size", help="Only this pot size.")
@click.option("--stage", help="Only this stage.")
@click.option("--place", help="Only this place.")
@click.option("--at", type=click.DateTime(), help="As it happened up to this moment (UTC).")
@click.option("--known-at", type=click.DateTime(), help="From what was known at this moment (UTC).")
@as_json
@_clear_errors
def stock(
    crop: str | None,
    size: str | None,
    stage: str | None,
    place: str | None,
    at: datetime | None,
    known_at: datetime | None,
    as_json: bool,
) -> None:
    """Plants standing, now or at a date (the plant book)."""
    at, known_at = at and at.replace(tzinfo=UTC), known_at and known_at.replace(tzinfo=UTC)
    with _look(follow=at is not None or known_at is not None) as cursor:
        found = answers.stock(
            cursor, crop=crop, size=size, stage=stage, place=place, at=at, known_at=known_at, limit=MOST_LINES
        )
    if as_json:
        _print_json(found)
        return
    table = _table(
        f"Standing, as of position {found.as_of}", "crop", "size", "stage", "place", "batch", "units", "unit", "counted"
    )
    for line in found.lines:
        counted = f"{line.counted_at:%Y-%m-%d} ({line.counted_how})" if line.counted_at else "never"
        table.add_row(line.crop, line.size or "", line.stage, line.place, line.batch, str(line.units), line.unit, counted)
    out.print(table)


@main.command()
@click.argument("number")
@click.option("--trace", type=click.Choice(["back", "forward"]), help="Follow the family instead.")
@as_json
@_clear_errors
def batch(number: str, trace: Any, as_json: bool) -> None:
    """The card of batch NUMBER: what stands, its flags, its life line; or its family, up or down."""
    with _look(follow=trace is not None) as cursor:
        if trace is not None:
            _print_trace(answers.trace(cursor, number, trace), as_json)
            return
        found = answers.batch(cursor, number, datetime.now(UTC))
    if as_json:
        _print_json(found)
        return
    card = found.batch
    out.print(f"[bold]{card.number}[/]  {card.crop} {card.size or ''}  born {card.born_on}, as of position {found.as_of}")
    for flag in found.flags:
        out.print(f"  {flag.what}: {flag.detail}", markup=False)
    table = _table("Standing", "stage", "place", "units", "unit", "counted")
    for where, standing in card.standing.items():
        if standing.units:
            count = standing.last_count
            counted = f"{count.at:%Y-%m-%d} ({count.method})" if count else "never"
            table.add_row(*where.split("/"), str(standing.units), standing.unit, counted)
    out.print(table)
    life = _table("Life line", "occurred", "entry", "by", "moved")
    for raw in found.life:
        kept = msgspec.json.decode(raw)
        told = kept["told"]
        moves = "; ".join(f"{move['units']} {move['unit']} {move['from']} > {move['to']}" for move in kept.get("moves", ()))
        life.add_row(told["occurred_at"][:16], told["type"], told["by"], moves)
    out.print(life)


def _print_trace(found: answers.Trace, as_json: bool) -> None:
    if as_json:
        _print_json(found)
        return
    table = _table(f"From {found.start}, {found.direction}", "batch", "crop", "size", "came", "on", "from", "standing")
    for kin in found.kin:
        parents = ", ".join(f"{name} ({units})" for name, units in kin.parents.items())
        standing = ", ".join(f"{where} {units}" for where, units in kin.standing.items())
        table.add_row(kin.holder, kin.crop, kin.size or "", kin.came, str(kin.on or ""), parents, standing)
    out.print(table)
    if found.orders:
        orders = _table("Orders that had some", "order", "batch", "units", "region")
        for line in found.orders:
            orders.add_row(line.order, line.batch, str(line.shipped), line.region or "")
        out.print(orders)


def _by(words: Any, by: str) -> list[Any]:
    """Those of a closed list of words that were asked for, in the order of the list."""
    chosen, known = by.split(","), get_args(words)
    if not set(chosen) <= set(known):
        raise click.UsageError(f"--by takes any of {', '.join(known)}, with commas")
    return [name for name in known if name in chosen]


def _by_option(words: Any, default: str) -> Callable[[Callable[Parameters, Result]], Callable[Parameters, Result]]:
    return click.option("--by", default=default, show_default=True, help=f"Any of {', '.join(get_args(words))}, with commas.")


_FROM = click.option("--from", "since", type=click.DateTime(["%Y-%m-%d"]), help="First day; the beginning if left out.")
_TO = click.option("--to", "until", type=click.DateTime(["%Y-%m-%d"]), help="Last day; today if left out.")
_KNOWN_AT = click.option("--known-at", type=click.DateTime(["%Y-%m-%dT%H:%M:%S%z"]), help="As it was known at this moment.")


def _report(answer: msgspec.Struct, report: Report, kind: printed.Format | None, path: Path | None, *, as_json: bool) -> None:
    """A report as it was asked for: a file, JSON, or its tables on the screen."""
    if kind is not None:
        _write(report, kind, path)
        return
    if as_json:
        _print_json(answer)
        return
    for number, found in enumerate(report.tables):
        if number and not any(True for _ in found.rows):
            continue
        table = Table(title=found.title, title_justify="left")
        for column in found.columns:
            table.add_column(column.whole_heading, justify="left" if column.kind in ("text", "date", "moment") else "right")
        for row in [*found.rows, *([found.totals] if found.totals is not None else [])]:
            table.add_row(*(tables.shown(cell, column) for cell, column in zip(row, found.columns, strict=True)))
        out.print(table)
        for told in found.facts if number == 0 else ():  # what holds for the first holds for all
            out.print(f"{told.column.heading}: {tables.shown(told.value, told.column)}", markup=False)
        for note in found.notes:
            out.print(note, markup=False)


@main.command()
@_by_option(Grouping, "crop,size")
@click.option("--basis", type=click.Choice(["cohort", "calendar"]), default="cohort", show_default=True)
@_FROM
@_TO
@click.option("--crop", help="Only this crop.")
@click.option("--size", help="Only this pot size.")
@as_json
@as_file
@_clear_errors
def shrink(
    by: str,
    basis: Any,
    since: datetime | None,
    until: datetime | None,
    crop: str | None,
    size: str | None,
    as_json: bool,
    kind: printed.Format | None,
    path: Path | None,
) -> None:
    """What was lost, of what: numerator, denominator and basis of every rate, its cost and its retail value."""
    chosen = _by(Grouping, by)
    kind = _file_kind(kind, path, as_json=as_json)
    with _look(follow=True) as cursor:
        first, last = _period(cursor, since, until)
        found = losses.shrink_report(cursor, basis=basis, since=first, until=last, by=chosen, crop=crop, size=size)
        made_at = answers.written_at(cursor, found.as_of)
    _report(found, printed.shrink(found, made_at), kind, path, as_json=as_json)


@main.command()
@_by_option(losses.DamageBy, "carrier")
@_FROM
@_TO
@as_json
@as_file
@_clear_errors
def damage(
    by: str, since: datetime | None, until: datetime | None, as_json: bool, kind: printed.Format | None, path: Path | None
) -> None:
    """What arrived damaged, of what was shipped in the period, and what replacing it cost."""
    chosen = _by(losses.DamageBy, by)
    kind = _file_kind(kind, path, as_json=as_json)
    with _look(follow=True) as cursor:
        first, last = _period(cursor, since, until)
        found = losses.damage_report(cursor, since=first, until=last, by=chosen)
        made_at = answers.written_at(cursor, found.as_of)
    _report(found, printed.damage(found, made_at), kind, path, as_json=as_json)


@main.command()
@_by_option(losses.ReversalsBy, "kind,person")
@_FROM
@_TO
@click.option("--crop", help="Only this crop.")
@as_json
@as_file
@_clear_errors
def reversals(
    by: str,
    since: datetime | None,
    until: datetime | None,
    crop: str | None,
    as_json: bool,
    kind: printed.Format | None,
    path: Path | None,
) -> None:
    """Every entry that was taken back and every count that differed: who, when, what, why, how much; each, and summed."""
    chosen = _by(losses.ReversalsBy, by)
    kind = _file_kind(kind, path, as_json=as_json)
    with _look(follow=True) as cursor:
        first, last = _period(cursor, since, until)
        found = losses.reversal_report(cursor, since=first, until=last, by=chosen, crop=crop)
        made_at = answers.written_at(cursor, found.as_of)
    _report(found, printed.reversals(found, made_at), kind, path, as_json=as_json)


@main.command()
@_by_option(StatementBy, "stage")
@_FROM
@_TO
@click.option("--crop", help="Only this crop.")
@click.option("--size", help="Only this pot size.")
@click.option("--stage", type=click.Choice([stage.value for stage in Stage]), help="Only this stage.")
@_KNOWN_AT
@as_json
@as_file
@_clear_errors
def movement(
    by: str,
    since: datetime | None,
    until: datetime | None,
    crop: str | None,
    size: str | None,
    stage: str | None,
    known_at: datetime | None,
    as_json: bool,
    kind: printed.Format | None,
    path: Path | None,
) -> None:
    """The statement that ties: opening, what came in and went out, closing, in units and money."""
    groups = _by(StatementBy, by)
    kind = _file_kind(kind, path, as_json=as_json)
    with _look(follow=True) as cursor:
        first, last = _period(cursor, since, until)
        found = statements.movement(
            cursor, since=first, until=last, by=groups, crop=crop, size=size, stage=stage, known_at=known_at
        )
        made_at = answers.written_at(cursor, found.as_of)
    _report(found, printed.movement(found, made_at), kind, path, as_json=as_json)


@main.command()
@click.option("--on", type=click.DateTime(["%Y-%m-%d"]), help="At the end of this day; today if left out.")
@click.option("--batches", is_flag=True, help="A line for each batch.")
@click.option("--realisable", is_flag=True, help="Also net realisable value, and the lower of it and cost.")
@click.option("--crop", help="Only this crop.")
@click.option("--size", help="Only this pot size.")
@click.option("--stage", type=click.Choice([stage.value for stage in Stage]), help="Only this stage.")
@_KNOWN_AT
@as_json
@as_file
@_clear_errors
def value(
    on: datetime | None,
    batches: bool,
    realisable: bool,
    crop: str | None,
    size: str | None,
    stage: str | None,
    known_at: datetime | None,
    as_json: bool,
    kind: printed.Format | None,
    path: Path | None,
) -> None:
    """What stands and what it is worth, at moving average cost."""
    kind = _file_kind(kind, path, as_json=as_json)
    with _look(follow=True) as cursor:
        _, day = _period(cursor, None, on)
        found = statements.value(
            cursor, on=day, by_batch=batches, realisable=realisable, crop=crop, size=size, stage=stage, known_at=known_at
        )
        made_at = answers.written_at(cursor, found.as_of)
    _report(found, printed.value(found, made_at), kind, path, as_json=as_json)


@main.command()
@_FROM
@_TO
@as_json
@as_file
@_clear_errors
def journal(
    since: datetime | None, until: datetime | None, as_json: bool, kind: printed.Format | None, path: Path | None
) -> None:
    """The period as journal lines for your own bookkeeping, under the accounts that you set."""
    kind = _file_kind(kind, path, as_json=as_json)
    with _look(follow=True) as cursor:
        first, last = _period(cursor, since, until)
        found = statements.journal(cursor, since=first, until=last)
        made_at = answers.written_at(cursor, found.as_of)
    _report(found, printed.journal(found, made_at), kind, path, as_json=as_json)


@main.command()
@click.option("--stage", type=click.Choice(["potted", "struck"]), default="potted", show_default=True)
@click.option("--correct", is_flag=True, help="Tell the ledger, if the confidence at which promises are made should change.")
@as_json
@_clear_errors
def backtest(stage: str, correct: bool, as_json: bool) -> None:
    """Go through the past again: what the forecast would have promised, what came, and how plainer ways would have done."""
    with _look(follow=True) as cursor:
        told, policy = past.told(cursor), answers.policy_card(cursor)
    now = datetime.now(UTC)
    with _progress("going through the past", None) as step:
        today = day_of(now, policy.value)
        found = measured.backtest(told, today, stage=Stage(stage), progress=step)
    if found is None:
        err.print("there is too little past yet: a backtest needs 38 weeks of a stage")
        return
    if as_json:
        _print_json({name: value for name, value in msgspec.structs.asdict(found).items() if name != "cases"})
    else:
        _print_backtest(found)
    changed = measured.correction(found, policy, now)
    if changed is None:
        err.print(f"promises are made at {policy.confidence} %, and stay so")
        return
    err.print(f"promises should be made at {changed.working} % to keep {changed.stated} %")
    if correct:
        with _database() as conninfo, Nursery(conninfo) as nursery:
            nursery.post([changed], client=THE_LEDGER)
        err.print("told to the ledger")


def _print_backtest(found: measured.Backtest) -> None:
    title = f"{found.stage}, {len(found.origins)} days of the past from {found.origins[0]}, {found.seasons} seasons"
    _print_rows(f"Compared: {title}", [(percent, row) for percent, row in found.compared if percent in (80, 90, 95)])
    for what, rows in found.splits.items():
        _print_rows(f"The forecast at 90 %, by {what}", [(percent, row) for percent, row in rows if percent == 90])  # noqa: PLR2004
    tenths = " ".join(f"{count / max(1, sum(found.pit)):.2f}" for count in found.pit)
    out.print(f"PIT in tenths (.10 each if all is well): {tenths}", markup=False)


def _print_rows(title: str, rows: Sequence[tuple[int, Row]]) -> None:
    shares = ("covered", "low", "high", "worst season", "by sales", "units kept", "promised / came")
    table = _table(title, "", "stated", "cases", *shares, "CRPS")
    for percent, row in rows:
        values = (row.covered, row.low, row.high, row.worst, row.weighted, row.kept, row.promised)
        table.add_row(row.name, f"{percent} %", str(row.cases), *(f"{value:.3f}" for value in values), f"{row.crps:.2f}")
    out.print(table)


@main.command(name="promises-kept")
@click.option("--by", default="confidence", show_default=True, help="Any of confidence, basis, crop, size, month, with commas.")
@click.option("--from", "since", type=click.DateTime(["%Y-%m-%d"]), help="First day; the beginning if left out.")
@click.option("--to", "until", type=click.DateTime(["%Y-%m-%d"]), help="Last day; today if left out.")
@as_json
@as_file
@_clear_errors
def promises_kept(
    by: str,
    since: datetime | None,
    until: datetime | None,
    as_json: bool,
    kind: printed.Format | None,
    path: Path | None,
) -> None:
    """How promises were kept that fell due: the confidence that was stated, and what was there."""
    groupings = _by(KeptBy, by)
    kind = _file_kind(kind, path, as_json=as_json)
    with _look() as cursor:
        first, last = _period(cursor, since, until)
        found = answers.kept_report(cursor, since=first, until=last, by=groupings)
        made_at = answers.written_at(cursor, found.as_of)
    if kind is not None:
        _write(printed.promises_kept(found, made_at), kind, path)
        return
    if as_json:
        _print_json(found)
        return
    heading = ("stated", "basis", "crop", "size", "month")
    table = _table(
        f"Promises that fell due {first} to {last}", *heading, "lines", "kept", "share", "low", "high", "units", "units kept"
    )
    for line in found.lines:
        names = [getattr(line, name) or "" for name in heading]
        shares = [f"{share:.1%}" for share in (line.share, line.low, line.high)]
        few = " (few data)" if line.few_data else ""
        table.add_row(*names, f"{line.lines}{few}", str(line.lines_kept), *shares, str(line.units), str(line.units_kept))
    out.print(table)
    out.print(f"Kept: {found.counted}. Limits: {found.interval}. Open and not checked: {found.open} units.", markup=False)


# --- the proof, and closing periods ------------------------------------------------------------------------------


@main.command()
@click.argument("period")
@click.option("--by", required=True, metavar="PERSON", help="The code of the person who closes it.")
@as_json
@_clear_errors
def close(period: str, by: str, as_json: bool) -> None:
    """Close PERIOD (a month, such as 2026-11) and all before it. What is told of it later counts on the first open day."""
    if not re.fullmatch(r"[0-9]{4}-(0[1-9]|1[0-2])", period):
        raise click.UsageError(f"a period is a month, such as 2026-11, not {period}")
    with _database() as conninfo, Nursery(conninfo) as nursery:
        seal = Seal.of(conninfo)
        try:
            posted = proving.close_period(conninfo, nursery, seal, period, by)
        except Refused as refused:
            for problem in refused.problems:
                err.print(f"{problem.detail} [{problem.code}]", style="red", markup=False, soft_wrap=True)
            sys.exit(REFUSED)
        signed = msgspec.structs.asdict(posted.entries[0].told)["signature"]
        head = next(head for head in seal.kept()[0] if head.signature == signed)
    _print_head(head, as_json)
    err.print(f"{period} is closed, as of position {posted.as_of}; its head is written to {seal.heads_file}, too")


@main.command()
@as_json
@_clear_errors
def head(as_json: bool) -> None:
    """Sign the head of the log as it is now, write it outside of the database, and print it."""
    with _database() as conninfo, Nursery(conninfo) as nursery:
        seal = Seal.of(conninfo)
        signed = proving.sign_head(conninfo, nursery, seal)
    if signed is None:
        err.print("the log is empty: there is nothing to sign")
        sys.exit(REFUSED)
    _print_head(signed, as_json)
    err.print(f"written to {seal.heads_file}, too: keep a copy of it elsewhere")


def _print_head(head: check_proof.Head, as_json: bool) -> None:
    if as_json:
        _print_json(head._asdict())
        return
    click.echo(f"size       {head.size}\nroot       {head.root}\nsigned at  {head.at} ({head.why})")
    click.echo(f"key        {head.key}\nsignature  {head.signature}")


@main.command()
@click.argument("position", type=click.IntRange(1), required=False)
@click.option("--size", type=click.IntRange(1), help="For the log of this size; the first signed head over it if left out.")
@click.option("--from", "first", type=click.IntRange(1), help="Prove instead that the log of a size begins with this one.")
@click.option("--to", "second", type=click.IntRange(1), help="That size.")
@click.option("--out", "file", type=click.Path(dir_okay=False, writable=True, path_type=Path), help="Write it to a file.")
@_clear_errors
def prove(position: int | None, size: int | None, first: int | None, second: int | None, file: Path | None) -> None:
    """Prove that the entry at POSITION is in the log as it was signed; or that one head goes on from another."""
    if (position is None) == (first is None or second is None):
        raise click.UsageError("name a POSITION, or the two sizes by --from and --to")
    with _look(follow=True) as cursor:
        found: proving.Inclusion | proving.Consistency
        if position is not None:
            found = proving.inclusion(cursor, position, size)
        else:
            assert first is not None
            assert second is not None
            found = proving.consistency(cursor, first, second)
    made = msgspec.json.format(msgspec.json.encode(found))
    if file is None:
        click.echo(made)
    else:
        file.write_bytes(made + b"\n")
        err.print(
            f"{file} holds the proof: whoever has it can check it with `tallybench check-proof`, or ledger/check_proof.py alone"
        )


@main.command("check-proof")
@click.argument("files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False))
@click.option(
    "--key", "trusted", multiple=True, metavar="HEX", help="The public key whose signatures count; may be given again."
)
def check_proofs(files: tuple[str, ...], trusted: tuple[str, ...]) -> None:
    """Check proofs, heads and exported logs from FILES alone: it takes neither the database nor the server."""
    sys.exit(check_proof.main([*(f"--key={key}" for key in trusted), "--", *files]))


@main.command()
@click.option("--log", "file", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="An exported copy instead.")
@click.option("--key", "trusted", multiple=True, metavar="HEX", help="Another public key whose signatures count.")
@as_json
@_clear_errors
def audit(file: Path | None, trusted: tuple[str, ...], as_json: bool) -> None:
    """Hold the log against every head known outside of the database; exits 1 and names what is not as it was."""
    with contextlib.ExitStack() as stack:
        conninfo = stack.enter_context(_database(check=file is None))
        seal = Seal.of(conninfo)
        found = proving.audit_file(file, seal, trusted) if file is not None else proving.audit(conninfo, seal, trusted)
    if as_json:
        _print_json({**msgspec.structs.asdict(found), "findings": [finding._asdict() for finding in found.findings]})
    for remark in found.remarks:
        err.print(remark, style="yellow", markup=False, soft_wrap=True)
    for finding in found.findings:
        err.print(finding.detail, style="red", markup=False, soft_wrap=True)
    if found.findings:
        err.print("THE LOG IS NOT AS IT WAS SIGNED: keep this database as it is, and look at your backups", style="bold red")
        sys.exit(REFUSED)
    err.print(f"{found.entries} entries, the first {found.proved} proved by {found.outside} heads known outside")


@main.command("export")
@click.argument("file", type=click.Path(dir_okay=False, writable=True, path_type=Path))
@_clear_errors
def export_log(file: Path) -> None:
    """Write the whole log into FILE, a line an entry: the hash of its leaf, and the very bytes that are stored."""
    with (
        _database() as conninfo,
        psycopg.connect(store.app_conninfo(conninfo)) as connection,
        runner.look(connection),
        file.open("wb") as target,
    ):
        count = proving.export(connection, target)
    err.print(
        f"{file} holds {count} entries: `tallybench check-proof {file}` and a file of heads hold it against what was signed"
    )


@main.command()
@click.option("--from", "since", type=click.DateTime(["%Y-%m-%d"]), help="First day of the books; the beginning if left out.")
@click.option("--to", "until", type=click.DateTime(["%Y-%m-%d"]), help="Last day of the books; today if left out.")
@as_json
@_clear_errors
def late(since: datetime | None, until: datetime | None, as_json: bool) -> None:
    """What came after its period was closed: the day on which it happened, and the one on which the books count it."""
    with _look() as cursor:
        first, last = _period(cursor, since, until)
        found = proving.late_report(cursor, first, last)
    if as_json:
        _print_json(found)
        return
    table = _table(f"Late, counted {first} to {last}", "position", "entry", "by", "happened", "counted", "moved")
    for line in found.entries:
        moved = "; ".join(f"{move.units} {move.unit} {move.source} > {move.target}" for move in line.moves)
        table.add_row(str(line.position), line.type, line.by, str(line.happened_on), str(line.booked_on), moved)
    out.print(table)


# --- keeping ---------------------------------------------------------------------------------------------------


@main.command()
@click.argument("names", nargs=-1, type=click.Choice(sorted(runner.ALL)))
@_clear_errors
def rebuild(names: tuple[str, ...]) -> None:
    """Build projections (all if none is named) anew from the log, beside the old ones, and swap them in."""
    with _database() as conninfo:
        for name in names or runner.ALL:
            with _progress(f"rebuilding {name}", _entries(conninfo)) as step:
                position = runner.rebuild(conninfo, name, step)
            err.print(f"{name} is rebuilt up to position {position}")


@main.command()
@as_json
@_clear_errors
def verify(as_json: bool) -> None:
    """Replay the log into scratch tables and compare row by row; exits 1 on any difference."""
    with _database() as conninfo:
        with psycopg.connect(store.app_conninfo(conninfo), autocommit=True) as connection:
            runner.follow(connection)
        total = _entries(conninfo)
        with _progress("verifying", total * len(runner.ALL)) as step:
            differences = runner.verify(conninfo, step)
    if as_json:
        _print_json({"entries": total, "differences": differences})
    for difference in differences:
        err.print(difference, style="red", markup=False)
    if differences:
        sys.exit(REFUSED)
    err.print(f"every table follows from the log: {total} entries, {len(runner.ALL)} projections")


def _entries(conninfo: str) -> int:
    with psycopg.connect(store.app_conninfo(conninfo)) as connection, connection.cursor() as cursor:
        return store.head(cursor)


@main.command()
@click.argument("file", type=click.Path(dir_okay=False, writable=True, path_type=Path))
@_clear_errors
def backup(file: Path) -> None:
    """Write the whole database into FILE (PostgreSQL's own archive format). Safe while the server runs."""
    part = file.with_name(file.name + ".part")
    with _database() as conninfo:
        # it waits for no table for long: a rebuild that is swapped in takes a moment, anything else is told
        wait = f"--lock-wait-timeout={LOCK_SECONDS}s"
        try:
            _run("pg_dump", conninfo, "--format=custom", "--no-owner", wait, f"--file={part}")
            part.replace(file)
        finally:
            part.unlink(missing_ok=True)
    err.print(f"{file} holds the nursery's book as of now: keep a copy elsewhere, and try a restore now and then")


@main.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@_clear_errors
def restore(file: Path) -> None:
    """Bring a backup back into an empty database, and verify it. A database with entries is never overwritten."""
    with _database(check=False) as conninfo:
        with psycopg.connect(conninfo) as connection:
            (tables,) = connection.execute("select count(*) from pg_tables where schemaname = 'public'").fetchone() or (0,)
        if tables:
            err.print(
                "this database is not empty: restore into a new one (another DATABASE_URL or TALLYBENCH_HOME)", style="red"
            )
            sys.exit(REFUSED)
        with tempfile.TemporaryDirectory() as folder:
            script = Path(folder) / "script.sql"
            _run("pg_restore", None, "--no-owner", f"--file={script}", str(file))
            _suit_older_servers(script)
            schema.make_role(conninfo)
            _run("psql", conninfo, "--no-psqlrc", "--set=ON_ERROR_STOP=1", "--single-transaction", f"--file={script}")
        schema.migrate(conninfo)
        differences = runner.verify(conninfo)
    for difference in differences:
        err.print(difference, style="red", markup=False)
    if differences:
        sys.exit(REFUSED)
    err.print("restored and verified: every table follows from the log")


def _suit_older_servers(script: Path) -> None:
    """Servers before 17 do not know one of the settings with which pg_restore begins: it becomes a remark."""
    with script.open("r+b") as file:
        head = file.read(10_000)
        file.seek(0)
        file.write(head.replace(b"\nSET transaction_timeout", b"\n--  transaction_timeout"))


def _run(program: str, conninfo: str | None, *arguments: str) -> None:
    """One of PostgreSQL's own programs; the password goes by the environment, not the command line."""
    address = conninfo_to_dict(conninfo or "")
    password = address.pop("password", None)
    environment = {**os.environ, "PGPASSWORD": str(password)} if password else None
    target = [f"--dbname={make_conninfo('', **address)}"] if conninfo else []
    command = [str(postgres.bin_folder() / program), *target, *arguments]
    done = subprocess.run(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=False)
    if done.returncode:
        err.print(f"{program} failed:\n{done.stderr}", style="red", markup=False)
        sys.exit(WRONG_DATABASE)


# --- the demo --------------------------------------------------------------------------------------------------

DEMO_DATABASE = "tallybench_demo"


@main.command()
@click.option("--crops", default=12, show_default=True, type=click.IntRange(1, 2000), help="How many crops.")
@click.option("--months", default=18, show_default=True, type=click.IntRange(1, 60), help="How many months of history.")
@click.option("--seed", default=1, show_default=True, help="Another seed, another history.")
@click.option("--port", default=8787, show_default=True, type=click.IntRange(1, 65535), help="The port to serve on.")
@click.option("--serve/--no-serve", "stay", default=True, show_default=True, help="Whether to go on serving afterwards.")
@_clear_errors
def demo(crops: int, months: int, seed: int, port: int, stay: bool) -> None:
    """Post the invented nursery's history through the real service, show a short tour, and serve it.

    It works on a database of its own, made anew each time; yours is never touched.
    """
    from ledger import forecaster  # noqa: PLC0415 - what it computes with is slow to load
    from ledger.demo import history, post, tampering, tour  # noqa: PLC0415 - nobody else needs the simulator

    host = "127.0.0.1"
    _port_is_free(host, port)
    with postgres.open_database(DEMO_DATABASE) as conninfo, postgres.Watch():
        postgres.recreate(DEMO_DATABASE)
        seal = Seal.of(conninfo)
        seal.forget()
        schema.migrate(conninfo)
        made = keys.make(conninfo, "demo", keys.SCOPES)
        with serving.in_background(conninfo, host, port) as address:
            today = datetime.now(UTC).date()
            with (
                post.Client(address, made) as client,
                Nursery(conninfo) as nursery,
                forecaster.Forecaster(conninfo, nursery) as forecasts,
            ):
                close = partial(proving.close_period, conninfo, nursery, seal)
                counter = post.Counter(client, forecasts.publish, close)
                days = history.history(seed=seed, crops=crops, months=months, today=today, desk=counter)
                post.post_days(counter, days, until=today, console=out)
                forecasts.publish(None, datetime.now(UTC))
                tour.tour(client, out)
                tampering.show(conninfo, nursery, seal, out)
        with _progress("verifying", None) as step:
            differences = runner.verify(conninfo, step)
        if differences:
            err.print(*differences, sep="\n", style="red", markup=False)
            sys.exit(REFUSED)
        out.print("\nverify: every table follows from the log.")
        if stay:
            out.print(f"\nServing on [bold]http://{host}:{port}[/] (the API: http://{host}:{port}/docs). Ctrl-C ends it.")
            out.print("Open Today with this link, and tap a name:", highlight=False)
            out.print(f"  http://{host}:{port}/sign-in?next=/today#{made}", markup=False, highlight=False, soft_wrap=True)
            folder = Path(tempfile.mkdtemp(prefix="tallybench-cards-"))
            write_cards(conninfo, folder, f"http://{host}:{port}")
            out.print(f"Sign-in cards, one for each role, are printed in {folder}", markup=False, highlight=False)
            out.print(f"The key in it has every scope, for this demo only:\n  {made}", markup=False, highlight=False)
            serving.serve(conninfo, host, port)


if __name__ == "__main__":
    main()
