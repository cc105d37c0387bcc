"""The tree of RFC 9162: published roots, and every proof of every small size against the definitions written out again."""

from __future__ import annotations

import hashlib
from random import Random

import pytest

from ledger import check_proof
from ledger.books import proof

MOST = 40


def sha(data: bytes) -> bytes:
    """SHA-256."""
    return hashlib.sha256(data).digest()


def naive_root(leaves: list[bytes]) -> bytes:
    """MTH of RFC 9162, 2.1.1, as it stands there; of data, not of hashes."""
    match leaves:
        case []:
            return sha(b"")
        case [one]:
            return sha(b"\x00" + one)
        case _:
            k = split(len(leaves))
            return sha(b"\x01" + naive_root(leaves[:k]) + naive_root(leaves[k:]))


def split(n: int) -> int:
    """The largest power of two smaller than n."""
    k = 1
    while k * 2 < n:
        k *= 2
    return k


def naive_path(m: int, leaves: list[bytes]) -> list[bytes]:
    """PATH of RFC 9162, 2.1.3.1."""
    if len(leaves) == 1:
        return []
    k = split(len(leaves))
    if m < k:
        return [*naive_path(m, leaves[:k]), naive_root(leaves[k:])]
    return [*naive_path(m - k, leaves[k:]), naive_root(leaves[:k])]


def naive_subproof(m: int, leaves: list[bytes], whole: bool) -> list[bytes]:
    """SUBPROOF of RFC 9162, 2.1.4.1."""
    n = len(leaves)
    if m == n:
        return [] if whole else [naive_root(leaves)]
    k = split(n)
    if m <= k:
        return [*naive_subproof(m, leaves[:k], whole), naive_root(leaves[k:])]
    return [*naive_subproof(m - k, leaves[k:], False), naive_root(leaves[:k])]


DATA = [bytes([number]) * (number % 5) + bytes([number]) for number in range(MOST)]
NODES = proof.grown(0, {}, map(proof.leaf, DATA))
#: certificate transparency's own test leaves; the roots were published with them (RFC 6962 and 9162 hash alike)
PUBLISHED = ["", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"]
ROOTS = {
    0: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    3: "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    8: "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
}


def look(node: proof.Node) -> bytes:
    """A node that was kept."""
    return NODES[node]


@pytest.mark.parametrize("size", ROOTS)
def test_the_published_roots(size: int) -> None:
    """By the tree that is kept, by the one that checks, and by the definition written out."""
    leaves = [bytes.fromhex(leaf) for leaf in PUBLISHED[:size]]
    nodes = proof.grown(0, {}, map(proof.leaf, leaves))
    tree = check_proof.Tree()
    for leaf in leaves:
        tree.add(check_proof.leaf_of(leaf))
    assert proof.root(size, nodes.__getitem__).hex() == tree.root().hex() == naive_root(leaves).hex() == ROOTS[size]


@pytest.mark.parametrize("size", range(MOST + 1))
def test_the_root_of_every_small_size(size: int) -> None:
    """From the nodes of the edge, no more of them than the size has binary ones."""
    tree = check_proof.Tree()
    for data in DATA[:size]:
        tree.add(check_proof.leaf_of(data))
    assert proof.root(size, look) == tree.root() == naive_root(DATA[:size])
    assert set(proof.needed(lambda given: proof.root(size, given))) == set(proof.edge(size))
    assert len(list(proof.edge(size))) == size.bit_count()


@pytest.mark.parametrize("size", range(1, MOST + 1))
def test_every_inclusion_proof_of_every_small_size(size: int) -> None:
    """It is the definition's, it holds, and it holds for no other leaf, place, size or root, nor with a step wrong."""
    root = naive_root(DATA[:size])
    random = Random(size)
    for index in range(size):
        path, leaf = proof.inclusion(index, size, look), check_proof.leaf_of(DATA[index])
        assert path == naive_path(index, DATA[:size])
        assert check_proof.included(leaf, index, size, path, root)
        assert not check_proof.included(sha(b"other"), index, size, path, root)
        assert not check_proof.included(leaf, index, size, path, sha(b"other"))
        assert not any(check_proof.included(leaf, other, size, path, root) for other in range(-1, size + 2) if other != index)
        assert not check_proof.included(leaf, index, size, [*path, root], root)
        if path:
            wrong = random.randrange(len(path))
            assert not check_proof.included(leaf, index, size, path[:-1], root)
            assert not check_proof.included(leaf, index, size, [*path[:wrong], sha(path[wrong]), *path[wrong + 1 :]], root)


@pytest.mark.parametrize("size", range(1, MOST + 1))
def test_every_consistency_proof_of_every_small_size(size: int) -> None:
    """It is the definition's, it holds, and it holds for no other root, nor with a step wrong, missing or too many."""
    root = naive_root(DATA[:size])
    random = Random(size)
    for first in range(1, size + 1):
        path, before = proof.consistency(first, size, look), naive_root(DATA[:first])
        assert path == naive_subproof(first, DATA[:size], True)
        assert check_proof.consistent(first, size, before, root, path)
        assert not check_proof.consistent(first, size, sha(b"other"), root, path)
        assert not check_proof.consistent(first, size, before, sha(b"other"), path)
        assert not check_proof.consistent(first, size, before, root, [*path, root])
        if path:
            wrong = random.randrange(len(path))
            assert not check_proof.consistent(first, size, before, root, path[:-1])
            assert not check_proof.consistent(first, size, before, root, [*path[:wrong], sha(b"x"), *path[wrong + 1 :]])


def test_a_tree_that_grows_in_parts_is_the_same_tree() -> None:
    """Whatever the parts, from the nodes of its edge alone; nodes that were kept never change."""
    random = Random(1)
    for _ in range(50):
        kept: dict[proof.Node, bytes] = {}
        size = 0
        while size < MOST:
            more = DATA[size : size + random.randint(1, 9)]
            edge = {node: kept[node] for node in proof.edge(size)}
            made = proof.grown(size, edge, map(proof.leaf, more))
            assert not made.keys() & kept.keys()
            kept |= made
            size += len(more)
        assert kept == NODES


def test_an_answer_about_a_large_log_takes_few_nodes() -> None:
    """It goes with the logarithm: of a million entries, some dozens of hashes."""
    size = 1_000_003
    random = Random(2)
    assert len(proof.needed(lambda given: proof.root(size, given))) <= 20
    for _ in range(100):
        index, first = random.randrange(size), random.randrange(1, size)
        assert len(proof.needed(lambda given: proof.inclusion(index, size, given))) <= 60  # noqa: B023 - asked at once
        assert len(proof.needed(lambda given: proof.consistency(first, size, given))) <= 80  # noqa: B023 - the same
