"""The composition root: the ledger, its readers and its follower put together behind the routes."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, NoReturn

import psycopg
from litestar import Litestar, Request, Router
from litestar.datastructures import State
from litestar.di import Provide
from litestar.exceptions import HTTPException, ValidationException
from litestar.openapi import OpenAPIConfig
from litestar.types import ControllerRouterHandler
from psycopg_pool import PoolTimeout

from api import etags, openapi, problems
from api.fresh import FreshBoard
from api.keys import Keys, admitted
from api.pages import (
    acts,
    batch,
    books,
    counting,
    ground,
    origin,
    picking,
    plots,
    prints,
    promised,
    queue,
    showing,
    sign_in,
    striking,
)
from api.pages import board as board_page
from api.pages import potting as potting_page
from api.pages import today as today_page
from api.pages.remembered import Remembered
from api.reader import Reader, make_pool
from api.resources import (
    availability,
    batches,
    boards,
    docs,
    entries,
    health,
    potting,
    promises,
    proof,
    reference,
    reports,
    statements,
    stock,
)
from ledger import schema
from ledger.answers import Unknown
from ledger.books.statement import DoesNotTie
from ledger.log.codec import Unreadable
from ledger.nursery import Nursery, Turns, Unavailable
from ledger.plants.refusals import Refused
from ledger.projections.runner import Stuck
from ledger.seal import NoSeal, Seal
from ledger.statements import StillToCome
from ledger.strikings import Fits
from ledger.worker import Follower, Sweeper

#: where `tallybench serve` leaves the database's address for the server process
CONNINFO = "TALLYBENCH_CONNINFO"
MOST_BYTES = 4 * 1024 * 1024

HANDLERS: list[ControllerRouterHandler] = [
    entries.post_entries,
    entries.get_entries,
    batches.get_batches,
    batches.get_batch,
    batches.get_trace,
    batches.get_stock_trace,
    stock.get_stock,
    stock.get_sums,
    stock.get_questions,
    availability.get_availabilities,
    availability.get_changes,
    availability.get_availability,
    availability.get_ready_by,
    availability.get_outlook,
    promises.post_promise,
    promises.confirm_promise,
    promises.release_promise,
    promises.move_promise,
    promises.substitute_promise,
    promises.get_promise,
    promises.get_promises,
    potting.get_potting_list,
    reports.get_shrink,
    reports.get_damage,
    reports.get_reversals,
    reports.get_promises_kept,
    statements.get_movement,
    statements.get_value,
    statements.get_journal,
    boards.get_today,
    boards.get_picks,
    boards.get_packing,
    boards.get_open_lines,
    boards.get_counts,
    boards.get_count_sheet,
    boards.get_striking,
    proof.close_period,
    proof.get_head,
    proof.get_inclusion,
    proof.get_consistency,
    proof.get_late,
    *reference.HANDLERS,
    health.get_healthz,
    health.get_readyz,
    health.get_metrics,
    docs.get_openapi,
    docs.get_docs,
    docs.STATIC,
]

PAGES = Router(
    path="/",
    route_handlers=[
        *sign_in.HANDLERS,
        *prints.HANDLERS,
        *batch.HANDLERS,
        *acts.HANDLERS,
        *today_page.HANDLERS,
        *board_page.HANDLERS,
        *promised.HANDLERS,
        *potting_page.HANDLERS,
        *counting.HANDLERS,
        *picking.HANDLERS,
        *striking.HANDLERS,
        *queue.HANDLERS,
        *books.HANDLERS,
        *ground.HANDLERS,
        *origin.HANDLERS,
        *plots.HANDLERS,
    ],
    exception_handlers=showing.TROUBLES,
)


def create_app(conninfo: str | None = None) -> Litestar:
    """The application on a database; raises ledger.schema.WrongSchema if that is not on this program's schema."""
    address = conninfo or os.environ[CONNINFO]
    schema.check(address)
    pool = make_pool(address)
    nursery, follower, reader = Nursery(address), Follower(address), Reader(pool)
    turns, board, seal = Turns(nursery), FreshBoard(address, reader, nursery), Seal.of(address)
    fits = Fits()

    @asynccontextmanager
    async def running(_: Litestar) -> AsyncIterator[None]:
        with pool, nursery, follower, Sweeper(address, nursery):
            async with board.following():
                yield

    app = Litestar(
        route_handlers=[*HANDLERS, PAGES],
        lifespan=[running],
        middleware=[admitted, etags.conditional],
        before_request=_only_known_questions,
        dependencies={
            "reader": Provide(lambda: reader, sync_to_thread=False),
            "follower": Provide(lambda: follower, sync_to_thread=False),
            "board": Provide(lambda: board, sync_to_thread=False),
            "turns": Provide(lambda: turns, sync_to_thread=False),
            "fits": Provide(lambda: fits, sync_to_thread=False),
            "seal": Provide(lambda: seal, sync_to_thread=False),
        },
        exception_handlers={
            Refused: problems.refused,
            Unreadable: problems.unreadable,
            Unknown: problems.unknown,
            Stuck: problems.stuck,
            DoesNotTie: problems.does_not_tie,
            StillToCome: problems.still_to_come,
            NoSeal: problems.no_seal,
            Unavailable: problems.unavailable,
            psycopg.OperationalError: problems.unavailable,
            PoolTimeout: problems.unavailable,
            HTTPException: problems.http,
            Exception: problems.fault,
        },
        request_max_body_size=MOST_BYTES,
        logging_config=None,  # the framework would have every library tell of its daily work
        openapi_config=OpenAPIConfig(
            title="Tallybench",
            version="1",
            description="A ledger that counts every plant of a mail-order nursery, and what may be offered from it.",
            path="/framework-openapi",
            render_plugins=[],
            use_handler_docstrings=True,
        ),
        state=State(
            {
                "remembered": Remembered(),
                "keys": Keys(pool),
                "in_progress": promises.InProgress(),
                "board": board,
                "end_streams": board.stop,
            }
        ),
    )
    app.state.openapi = openapi.document(app)
    return app


async def _only_known_questions(request: Request[Any, Any, Any]) -> None:
    """A misspelt query parameter is an error, not a wider answer."""
    if not request.scope["query_string"]:
        return
    known = request.route_handler.opt.get("questions")
    if known is None:
        known = _questions(request)
        request.route_handler.opt["questions"] = known
    for name, times in Counter(name for name, _ in request.query_params.multi_items()).items():
        if name not in known:
            _refuse_question(name, f"there is no such parameter here: {', '.join(sorted(known)) or 'this path takes none'}")
        if times > 1:
            _refuse_question(name, "give it once: of several values one would be left out in silence")


def _refuse_question(name: str, message: str) -> NoReturn:
    raise ValidationException(detail=message, extra=[{"key": name[:60], "message": message}])


def _questions(request: Request[Any, Any, Any]) -> set[str]:
    paths = request.app.state.openapi["paths"]
    operation = paths.get(request.route_handler.paths and request.scope["path_template"], {})
    described = operation.get(request.method.lower(), {}).get("parameters", [])
    return {parameter["name"] for parameter in described if parameter["in"] == "query"}
