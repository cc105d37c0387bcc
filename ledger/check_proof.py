"""Checks what a nursery's books prove of themselves, without its database, its server or any other of its code.

    python check_proof.py [--key HEX] FILE...

takes, in any order and told apart by what is in them: heads (`heads/*.jsonl`, written when each was signed), proofs that an
entry is in the log or that one head goes on from another (`tallybench prove`), and whole logs (`tallybench export`). Needs
Python and, for Ed25519, the package `cryptography`; one file, to be read by whoever wants to know what it does.

A log is a line an entry: the bytes that were stored (canonical JSON, RFC 8785), and before them, if it was exported, the hash
of the leaf. The tree is that of RFC 9162, with SHA-256. Hashes of leaves prove nothing by themselves, but once a signed head
proves them they tell which entry it is that was altered.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

FINE, WRONG, NOT_READ = 0, 1, 2
_SIGNED = b"tallybench head\n"
_HEX = 64  # characters of a hash

# --- the tree --------------------------------------------------------------------------------------------------


def leaf_of(content: bytes) -> bytes:
    """The leaf of an entry's stored bytes."""
    return hashlib.sha256(b"\x00" + content).digest()


def node_of(left: bytes, right: bytes) -> bytes:
    """The node over two others."""
    return hashlib.sha256(b"\x01" + left + right).digest()


class Tree:
    """A tree that leaves are added to, of which only the edge is remembered."""

    def __init__(self) -> None:
        self.size = 0
        self._edge: list[bytes] = []

    def add(self, leaf: bytes) -> None:
        """One leaf more."""
        self._edge.append(leaf)
        self.size += 1
        full = self.size
        while full % 2 == 0:
            right = self._edge.pop()
            self._edge[-1] = node_of(self._edge[-1], right)
            full //= 2

    def root(self) -> bytes:
        """The hash over all leaves so far."""
        if not self._edge:
            return hashlib.sha256(b"").digest()
        *lefts, root = self._edge
        for left in reversed(lefts):
            root = node_of(left, root)
        return root


def included(leaf: bytes, index: int, size: int, path: Sequence[bytes], root: bytes) -> bool:
    """Whether the leaf with this index, from 0, is in the tree of that size and root (RFC 9162, 2.1.3.2)."""
    if not 0 <= index < size:
        return False
    number, last, found = index, size - 1, leaf
    for step in path:
        if last == 0:
            return False
        if number & 1 or number == last:
            found = node_of(step, found)
            while not number & 1 and number:
                number, last = number >> 1, last >> 1
        else:
            found = node_of(found, step)
        number, last = number >> 1, last >> 1
    return last == 0 and found == root


def consistent(first: int, second: int, first_root: bytes, second_root: bytes, path: Sequence[bytes]) -> bool:
    """Whether the tree of the second size begins with that of the first (RFC 9162, 2.1.4.2)."""
    if not 0 < first <= second:
        return False
    if first == second:
        return not path and first_root == second_root
    steps = list(path)
    if first & (first - 1) == 0:
        steps.insert(0, first_root)
    if not steps:
        return False
    number, last = first - 1, second - 1
    while number & 1:
        number, last = number >> 1, last >> 1
    old = new = steps[0]
    for step in steps[1:]:
        if last == 0:
            return False
        if number & 1 or number == last:
            old, new = node_of(step, old), node_of(step, new)
            while not number & 1 and number:
                number, last = number >> 1, last >> 1
        else:
            new = node_of(new, step)
        number, last = number >> 1, last >> 1
    return last == 0 and old == first_root and new == second_root


# --- heads -----------------------------------------------------------------------------------------------------


class Head(NamedTuple):
    """A signed head: over so many entries the log has this root, as somebody with that key said at that time."""

    size: int
    root: str
    at: str
    why: str
    key: str
    signature: str

    @classmethod
    def read(cls, value: Mapping[str, Any]) -> Head:
        """From JSON. Raises KeyError, TypeError or ValueError."""
        head = cls(int(value["size"]), *(str(value[name]) for name in cls._fields[1:]))
        bytes.fromhex(head.root + head.key + head.signature)
        return head

    def statement(self) -> bytes:
        """What is signed."""
        said = {"at": self.at, "root": self.root, "size": self.size, "why": self.why}
        return _SIGNED + json.dumps(said, sort_keys=True, separators=(",", ":")).encode()

    def holds(self) -> bool:
        """Whether the signature is the key's."""
        try:
            Ed25519PublicKey.from_public_bytes(bytes.fromhex(self.key)).verify(bytes.fromhex(self.signature), self.statement())
        except (InvalidSignature, ValueError):
            return False
        return True


class Finding(NamedTuple):
    """Something that is wrong. kind: altered, missing, inserted, moved, unproven, beside, head. Positions count from 1."""

    kind: str
    first: int
    last: int
    detail: str


def check_heads(heads: Iterable[Head], keys: frozenset[str] = frozenset()) -> tuple[list[Head], list[Finding]]:
    """The heads that can be built on, by size, and what is wrong with the others. keys: whose signatures count; none: any."""
    good: dict[int, Head] = {}
    findings: list[Finding] = []
    for head in sorted(heads):
        where = f"the head of size {head.size} signed at {head.at}"
        if not head.holds():
            findings.append(Finding("head", head.size, head.size, f"{where}: its signature does not hold"))
        elif keys and head.key not in keys:
            findings.append(Finding("head", head.size, head.size, f"{where} is signed with another key, {head.key}"))
        elif head.size in good and good[head.size].root != head.root:
            findings.append(Finding("head", head.size, head.size, f"two heads of size {head.size} name two roots"))
        else:
            good[head.size] = head
    return list(good.values()), findings


# --- a whole log -----------------------------------------------------------------------------------------------


class Row(NamedTuple):
    """An entry as it is found: where it stands, its leaf, and the position that its content names, None if it names none."""

    position: int
    leaf: bytes
    says: int | None


class Audit(NamedTuple):
    """What an audit found. proved: so many entries are proved to be as they were by a signed head."""

    findings: list[Finding]
    entries: int
    proved: int


def row_of(position: int, content: bytes) -> Row:
    """An entry from its stored bytes."""
    try:
        value = json.loads(content)
        again = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
        says = value["position"] if again == content and isinstance(value["position"], int) else None
    except (ValueError, TypeError, KeyError, RecursionError):
        says = None
    return Row(position, leaf_of(content), says)


def audit(rows: Iterable[Row], kept: Iterable[bytes] | None, heads: Sequence[Head]) -> Audit:
    """Hold a log against signed heads, and name what is wrong. `heads`: from `check_heads`.

    kept: the leaves as they were kept beside the log. Where a head proves them they tell exactly which entry is not what it
    was; without, it is told between which two heads something is wrong, and what is seen by the positions that entries name.
    """
    found = list(rows)
    wanted = list(kept) if kept is not None else []
    leaves, positions = [row.leaf for row in found], [row.position for row in found]
    sizes = [head.size for head in heads]
    here, there = _roots(leaves, sizes), _roots(wanted, sizes)
    proved = max((head.size for head in heads if here.get(head.size) == head.root), default=0)
    findings: dict[tuple[str, int, int], Finding] = {}
    _note(findings, _bad_leaves(leaves[:proved], wanted))
    if kept is not None:
        _note(findings, _compared(leaves[proved:], wanted[proved:], positions[proved:], proved, whole=False))
    says = [row.says if row.says is not None else ("unreadable", row.position) for row in found[proved:]]
    _note(findings, _compared(says, range(proved + 1, max([len(found), *sizes]) + 1), positions[proved:], proved, whole=True))
    for head in heads:
        if here.get(head.size) == head.root:
            continue
        if head.size < proved:
            detail = f"the head of size {head.size} signed at {head.at} is of another log than this"
            _note(findings, [Finding("head", head.size, head.size, detail)])
        elif there.get(head.size) != head.root:
            sound = [h.size for h in heads if h.size < head.size and h.root in (here.get(h.size), there.get(h.size))]
            _note(findings, [_unproven(max(sound, default=0), head, len(found))])
            break
    return Audit(sorted(findings.values(), key=lambda finding: (finding.first, finding.kind)), len(found), proved)


def _bad_leaves(proved: Sequence[bytes], kept: Sequence[bytes]) -> Iterator[Finding]:
    """Leaves kept beside entries that are proved to be as they were."""
    for position, (leaf, beside) in enumerate(zip(proved, kept, strict=False), 1):
        if leaf != beside:
            detail = f"the entry of position {position} is proved, but the leaf kept beside it is not its own"
            yield Finding("beside", position, position, detail)


def _unproven(sound: int, head: Head, entries: int) -> Finding:
    if sound + 1 > entries:
        detail = f"{_named(sound + 1, head.size)} missing: a head of size {head.size} was signed at {head.at}"
        return Finding("missing", sound + 1, head.size, detail)
    between = f"the head of size {sound}" if sound else "the beginning"
    detail = (
        f"between {between} and the head of size {head.size}, signed at {head.at}, something was altered, removed, put in or "
        f"reordered: {_named(sound + 1, head.size)} not proved"
    )
    return Finding("unproven", sound + 1, head.size, detail)


def _roots(leaves: Iterable[bytes], sizes: Sequence[int]) -> dict[int, str]:
    """The root at each of these sizes that is reached."""
    tree, wanted, roots = Tree(), set(sizes), {}
    for leaf in leaves:
        tree.add(leaf)
        if tree.size in wanted:
            roots[tree.size] = tree.root().hex()
    return roots


def _note(findings: dict[tuple[str, int, int], Finding], more: Iterable[Finding]) -> None:
    for finding in more:
        findings.setdefault(finding[:3], finding)


def _compared(
    found: Sequence[Hashable], wanted: Sequence[Hashable], positions: Sequence[int], before: int, *, whole: bool
) -> list[Finding]:
    """The differences in words; neighbours of one kind together.

    before: so many stand before these. whole: nothing may stand after the last that is wanted.
    """
    runs: list[tuple[str, int, int, int]] = []
    for kind, position, place in _differences(found, wanted, whole=whole):
        at = before + position if place is None else positions[place]
        origin = before + position if kind == "moved" else 0
        if runs and kind != "moved" and runs[-1][0] == kind and runs[-1][2] == at - 1:
            runs[-1] = (kind, runs[-1][1], at, 0)
        else:
            runs.append((kind, at, at, origin))
    return [Finding(kind, first, last, _told(kind, first, last, origin)) for kind, first, last, origin in runs]


def _told(kind: str, first: int, last: int, origin: int) -> str:
    match kind:
        case "altered":
            return f"{_named(first, last)} altered: not the bytes that were written"
        case "missing":
            return f"{_named(first, last)} missing"
        case "inserted":
            return f"{_named(first, last)} put in: not in the log as it was written"
        case _:
            return f"the entry of position {origin} stands at {first}: reordered"


def _named(first: int, last: int) -> str:
    return f"position {first} is" if first == last else f"positions {first} to {last} are"


def _differences(
    found: Sequence[Hashable], wanted: Sequence[Hashable], *, whole: bool
) -> Iterator[tuple[str, int, int | None]]:
    """(kind, position wanted, place where it was found, from 0) of whatever is not as it should be, in order."""
    place = {token: number for number, token in enumerate(found)}
    index = {token: number for number, token in enumerate(wanted)}
    met: set[int] = set()  # of what is wanted
    gone_to: set[int] = set()  # places of what was found to have been moved
    i = j = 0
    while i < len(found) or j < len(wanted):
        if j in met:
            j += 1
        elif i in gone_to:
            i += 1
        elif i == len(found):
            yield "missing", j + 1, None
            j += 1
        elif j == len(wanted):
            if whole or found[i] in index:
                yield "inserted", j + 1, i
            i += 1
        elif found[i] == wanted[j]:
            met.add(j)
            i, j = i + 1, j + 1
        else:
            known = index.get(found[i])
            elsewhere = wanted[j] in place
            if (known is not None and known in met) or (known is None and elsewhere):
                yield "inserted", j + 1, i
                i += 1
            elif known is None:
                yield "altered", j + 1, i
                i, j = i + 1, j + 1
            elif not elsewhere:
                yield "missing", j + 1, None
                j += 1
            else:
                if j + 1 == len(wanted) or found[i] != wanted[j + 1]:
                    yield "moved", known + 1, i
                    met.add(known)
                    i += 1
                    if i < len(found) and found[i] == wanted[j]:
                        continue
                yield "moved", j + 1, place[wanted[j]]
                met.add(j)
                gone_to.add(place[wanted[j]])


def read_log(lines: Iterable[bytes]) -> tuple[list[Row], list[bytes] | None]:
    """The entries of an exported log, and the leaves that stand before them, if they do before every one."""
    rows: list[Row] = []
    leaves: list[bytes] = []
    for line in lines:
        text = line.rstrip(b"\n")
        leaf, space, content = text.partition(b" ")
        if len(leaf) != _HEX or not space:
            rows.append(row_of(len(rows) + 1, text))
            continue
        try:
            leaves.append(bytes.fromhex(leaf.decode()))
        except ValueError:
            leaves.append(b"")
        rows.append(row_of(len(rows) + 1, content))
    return rows, leaves if leaves and len(leaves) == len(rows) else None


# --- files -----------------------------------------------------------------------------------------------------


class Unreadable(Exception):
    """A file that is none of those that can be checked."""


class File(NamedTuple):
    """A file by what is in it: `heads`, `inclusion`, `consistency` or `log`."""

    path: Path
    kind: str
    value: Any


def read(path: Path) -> File:
    """A file of any kind. Raises Unreadable."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise Unreadable(f"{path}: {error.strerror}") from error
    try:
        value = json.loads(data)
    except ValueError:
        value = None
    if isinstance(value, dict) and value.get("kind") in ("inclusion", "consistency"):
        return File(path, value["kind"], value)
    lines = data.splitlines()  # canonical JSON has no other line ends inside than escaped ones
    if lines and b'"signature"' in lines[0] and lines[0].startswith(b"{") and b'"told"' not in lines[0]:
        heads, broken = read_heads(data)
        if broken:
            raise Unreadable(f"{path}: line {broken[0]} is no head")
        return File(path, "heads", heads)
    if not lines:
        raise Unreadable(f"{path}: there is nothing in it")
    return File(path, "log", read_log(data.split(b"\n")[:-1] if data.endswith(b"\n") else data.split(b"\n")))


def read_heads(data: bytes) -> tuple[list[Head], list[int]]:
    """The heads of a file, and the numbers of the lines that are none (a crash may leave half a line)."""
    heads, broken = [], []
    for number, line in enumerate(data.splitlines(), 1):
        try:
            heads.append(Head.read(json.loads(line)))
        except (ValueError, KeyError, TypeError):
            broken.append(number)
    return heads, broken


def check_inclusion(proof: Mapping[str, Any], heads: Sequence[Head]) -> list[str]:
    """What is wrong with a proof that an entry is in the log."""
    try:
        position, size, root = int(proof["position"]), int(proof["size"]), str(proof["root"])
        content, path = str(proof["entry"]).encode(), [bytes.fromhex(step) for step in proof["path"]]
        wanted = bytes.fromhex(root)
    except (KeyError, TypeError, ValueError):
        return ["it is no proof that can be read"]
    wrong = []
    if not included(leaf_of(content), position - 1, size, path, wanted):
        wrong.append(f"the entry is not proved to stand at position {position} of the log of {size} entries")
    if row_of(position, content).says != position:
        wrong.append(f"the entry does not say that it stands at position {position}")
    return wrong + _vouched(size, root, heads)


def check_consistency(proof: Mapping[str, Any], heads: Sequence[Head]) -> list[str]:
    """What is wrong with a proof that one head goes on from another."""
    try:
        first, second = int(proof["from_size"]), int(proof["to_size"])
        first_root, second_root = str(proof["from_root"]), str(proof["to_root"])
        old, new = bytes.fromhex(first_root), bytes.fromhex(second_root)
        path = [bytes.fromhex(step) for step in proof["path"]]
    except (KeyError, TypeError, ValueError):
        return ["it is no proof that can be read"]
    wrong = []
    if not consistent(first, second, old, new, path):
        wrong.append(f"the log of {second} entries is not proved to begin with that of {first}")
    return wrong + _vouched(first, first_root, heads) + _vouched(second, second_root, heads)


def _vouched(size: int, root: str, heads: Sequence[Head]) -> list[str]:
    same = [head for head in heads if head.size == size]
    if not same:
        return [f"no signed head of size {size} is at hand to vouch for its root: give a file of heads, too"]
    return [] if same[0].root == root else [f"the signed head of size {size} has another root"]


def _heads_in(files: Sequence[File]) -> list[Head]:
    heads = [head for file in files if file.kind == "heads" for head in file.value]
    for file in files:
        if file.kind in ("inclusion", "consistency"):
            told = [file.value.get("head"), *(file.value.get("heads") or ())]
            heads += [Head.read(head) for head in told if head is not None]
    return heads


def check(files: Sequence[File], keys: frozenset[str] = frozenset()) -> tuple[list[str], list[str]]:
    """What holds and what is wrong, a line each. Raises KeyError, TypeError or ValueError on a head that is none."""
    heads, found = check_heads(set(_heads_in(files)), keys)
    good, wrong = [], [finding.detail for finding in found]
    for file in files:
        faults: list[str] = []
        match file.kind:
            case "heads":
                good.append(f"{file.path}: {len(file.value)} heads")
                continue
            case "inclusion":
                faults = check_inclusion(file.value, heads)
                holds = f"the entry stands at position {file.value.get('position')}"
            case "consistency":
                faults = check_consistency(file.value, heads)
                holds = f"the log of {file.value.get('to_size')} entries goes on from that of {file.value.get('from_size')}"
            case _:
                rows, kept = file.value
                told = audit(rows, kept, heads)
                faults = [finding.detail for finding in told.findings]
                if not heads:
                    faults.append("no signed head is at hand: give a file of heads, too")
                holds = f"{told.entries} entries, of which the first {told.proved} are proved by signed heads"
        wrong += [f"{file.path}: {fault}" for fault in faults]
        if not faults:
            good.append(f"{file.path}: {holds}")
    if not keys:
        good += [f"signed with the key {key}: compare it with the one that you know" for key in sorted({h.key for h in heads})]
    return good, wrong


def main(arguments: Sequence[str] | None = None) -> int:
    """Check files and print what holds and what is wrong. The exit code: 0 all holds, 1 something is wrong, 2 not readable."""
    parser = argparse.ArgumentParser(description="Check proofs, heads and exported logs of a nursery's books.")
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE", help="heads, proofs, or exported logs")
    parser.add_argument("--key", action="append", default=[], help="the public key, in hex, whose signatures count")
    told = parser.parse_args(arguments)
    try:
        good, wrong = check([read(path) for path in told.files], frozenset(told.key))
    except (Unreadable, KeyError, TypeError, ValueError) as error:
        sys.stderr.write(f"{error}\n")
        return NOT_READ
    sys.stdout.write("".join(f"{line}\n" for line in good))
    sys.stderr.write("".join(f"WRONG: {line}\n" for line in wrong))
    return WRONG if wrong else FINE


if __name__ == "__main__":
    sys.exit(main())
