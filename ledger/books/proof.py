"""The Merkle tree over the log, after RFC 9162, from nodes that are kept: roots, inclusion proofs and consistency proofs.

A node (level, number) stands over the leaves number * 2**level up to the next such; only full ones are kept, and they never
change while the log grows. So every answer takes a number of nodes that goes with the logarithm of the log. Leaves count from
0 here; the entry at position p is leaf p - 1. What is proved here `ledger.check_proof` checks, without a line of this.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import TypeVar

#: (level, number)
Node = tuple[int, int]
#: gives the hash of a full node
Look = Callable[[Node], bytes]
Answer = TypeVar("Answer")


def leaf(content: bytes) -> bytes:
    """The hash of an entry's stored bytes."""
    return hashlib.sha256(b"\x00" + content).digest()


def parent(left: bytes, right: bytes) -> bytes:
    """The hash of a node over two others."""
    return hashlib.sha256(b"\x01" + left + right).digest()


def edge(size: int) -> Iterator[Node]:
    """The full nodes that make up a tree of that size, from the left (the largest) to the right."""
    for level in reversed(range(size.bit_length())):
        if size >> level & 1:
            yield level, (size >> level) - 1


def grown(size: int, right: Mapping[Node, bytes], leaves: Iterable[bytes]) -> dict[Node, bytes]:
    """The nodes that become full when leaves are added to a tree of that size; `right`: the nodes of its edge."""
    made: dict[Node, bytes] = {}
    for added, hashed in enumerate(leaves, size):
        level, number, node = 0, added, hashed
        made[level, number] = node
        while number % 2:
            left = (level, number - 1)
            node = parent(made[left] if left in made else right[left], node)
            level, number = level + 1, number // 2
            made[level, number] = node
    return made


def root(size: int, look: Look) -> bytes:
    """The hash over the first `size` leaves."""
    return _over(0, size, look) if size else hashlib.sha256(b"").digest()


def inclusion(index: int, size: int, look: Look) -> list[bytes]:
    """The hashes by which the root over `size` leaves follows from leaf `index`, from the leaf upwards."""
    assert 0 <= index < size, "the leaf is in the tree"
    return _path(index, 0, size, look)


def consistency(first: int, second: int, look: Look) -> list[bytes]:
    """The hashes by which the tree of the second size is seen to begin with that of the first."""
    assert 0 < first <= second, "the first is no larger, and no tree is empty"
    return _beginning(first, 0, second, look, whole=True)


def needed(question: Callable[[Look], object]) -> list[Node]:
    """The nodes that an answer is made from."""
    asked: dict[Node, None] = {}

    def note(node: Node) -> bytes:
        asked[node] = None
        return b""

    question(note)
    return list(asked)


def _split(size: int) -> int:
    """The largest power of two below a size."""
    return 1 << (size - 1).bit_length() - 1


def _over(start: int, end: int, look: Look) -> bytes:
    size = end - start
    if size & (size - 1) == 0:
        level = size.bit_length() - 1
        return look((level, start >> level))
    middle = start + _split(size)
    return parent(_over(start, middle, look), _over(middle, end, look))


def _path(index: int, start: int, end: int, look: Look) -> list[bytes]:
    if end - start == 1:
        return []
    middle = start + _split(end - start)
    if index < middle:
        return [*_path(index, start, middle, look), _over(middle, end, look)]
    return [*_path(index, middle, end, look), _over(start, middle, look)]


def _beginning(first: int, start: int, end: int, look: Look, *, whole: bool) -> list[bytes]:
    """whole: the first tree has been all of this one's beginning so far, so its own root need not be told."""
    if first == end:
        return [] if whole else [_over(start, end, look)]
    middle = start + _split(end - start)
    if first <= middle:
        return [*_beginning(first, start, middle, look, whole=whole), _over(middle, end, look)]
    return [*_beginning(first, middle, end, look, whole=False), _over(start, middle, look)]
