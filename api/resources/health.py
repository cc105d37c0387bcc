"""For whoever runs the service: is the process alive, can it answer, and the figures of Prometheus' text format."""

from __future__ import annotations

from datetime import UTC, datetime

from litestar import MediaType, Response, get
from msgspec import Struct
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, Gauge, generate_latest

from api.keys import OPEN
from api.services import NamedFollower, NamedReader
from ledger.log import store
from ledger.projections import runner
from ledger.worker import ForecastState, forecast_state


class Alive(Struct, frozen=True, kw_only=True):
    """The process answers."""

    alive: bool = True


class Ready(Struct, frozen=True, kw_only=True):
    """`behind`: entries that each projection has still to follow. `trouble`: why following fails, if it does.

    `forecasts`: how fresh they are; with `stale` nothing is promised beyond what is counted, and this process is ready still.
    """

    ready: bool
    position: int
    behind: dict[str, int]
    trouble: str | None
    forecasts: ForecastState


@get("/healthz", sync_to_thread=False, opt={"scope": OPEN, "answers": Alive}, tags=["Health"])
def get_healthz() -> Alive:
    """The process is alive."""
    return Alive()


@get("/readyz", sync_to_thread=True, opt={"scope": OPEN, "answers": Ready}, tags=["Health"])
def get_readyz(reader: NamedReader, follower: NamedFollower) -> Response[Ready]:
    """The database answers, the schema is this program's own (or it would not have started), the projections follow."""
    with reader.look() as cursor:
        position = store.head(cursor)
        behind = runner.lag(cursor)
        state = forecast_state(cursor)
    ready = follower.trouble is None
    found = Ready(ready=ready, position=position, behind=behind, trouble=follower.trouble, forecasts=state)
    return Response(found, status_code=200 if ready else 503)


@get("/metrics", sync_to_thread=True, opt={"scope": OPEN, "answers": str}, tags=["Health"], media_type=MediaType.TEXT)
def get_metrics(reader: NamedReader) -> Response[bytes]:
    """Counts only, in Prometheus' text format: nothing of what is in the ledger."""
    registry = CollectorRegistry()
    with reader.look() as cursor:
        Gauge("tallybench_position", "The last position of the ledger.", registry=registry).set(store.head(cursor))
        behind = Gauge("tallybench_projection_behind", "Entries still to follow.", ["projection"], registry=registry)
        for name, entries in runner.lag(cursor).items():
            behind.labels(name).set(entries)
        now, state = datetime.now(UTC), forecast_state(cursor)
    ages = {
        "forecast_age": ("The age of the oldest forecast.", state.oldest_at),
        "forecast_wait": ("How long the first change has waited that no forecast has seen.", state.waiting_since),
    }
    for name, (meaning, since) in ages.items():
        seconds = (now - since).total_seconds() if since is not None else 0.0
        Gauge(f"tallybench_{name}_seconds", meaning, registry=registry).set(seconds)
    Gauge("tallybench_crops_without_forecast", "Crops that are sold and have none.", registry=registry).set(state.without)
    media_type, _, _ = CONTENT_TYPE_LATEST.partition("; charset")  # which the framework adds
    return Response(generate_latest(registry), media_type=media_type)
