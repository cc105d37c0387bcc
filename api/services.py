"""What the composition root hands to the resources, by name."""

from __future__ import annotations

from litestar.di import NamedDependency

from api.fresh import FreshBoard
from api.reader import Reader
from ledger.nursery import Turns
from ledger.seal import Seal
from ledger.strikings import Fits
from ledger.worker import Follower

NamedReader = NamedDependency[Reader]
NamedTurns = NamedDependency[Turns]
NamedFollower = NamedDependency[Follower]
NamedSeal = NamedDependency[Seal]
NamedBoard = NamedDependency[FreshBoard]
NamedFits = NamedDependency[Fits]
