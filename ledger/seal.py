"""The nursery's own signature, and the heads that it has signed, kept outside of the database.

Owns the private key (Ed25519, in a file that only its owner can read, made on first use and never in the database) and the file
of heads (a JSON line each, synced to disk before the database hears of it). Where they lie: `TALLYBENCH_SIGNING_KEY` names the
key's file, `TALLYBENCH_HEADS` the folder of the heads, best on another disk; both are in the data folder otherwise.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import re
import stat
import tempfile
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Literal

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from psycopg.conninfo import conninfo_to_dict

from ledger import postgres
from ledger.check_proof import Head, read_heads

Why = Literal["day", "close", "asked"]


class NoSeal(Exception):
    """The key or the file of heads cannot be used; the message says why."""


class Seal:
    """The signature and the file of heads of one ledger."""

    def __init__(self, key_file: Path, heads_file: Path) -> None:
        self.key_file = key_file
        self.heads_file = heads_file

    @classmethod
    def of(cls, conninfo: str) -> Seal:
        """Of the ledger in a database: the key is this machine's, the file of heads has the database's name."""
        key = os.environ.get("TALLYBENCH_SIGNING_KEY")
        heads = os.environ.get("TALLYBENCH_HEADS")
        address = conninfo_to_dict(conninfo)
        host = str(address.get("host") or "")
        parts = [] if host.startswith(("/", "@")) or not host else [host, str(address.get("port") or "")]
        name = re.sub(r"[^A-Za-z0-9._-]+", "_", "-".join([*parts, str(address.get("dbname") or "")])) + ".jsonl"
        return cls(
            Path(key).expanduser() if key else postgres.home() / "signing-key.pem",
            (Path(heads).expanduser() if heads else postgres.home() / "heads") / name,
        )

    # --- the key ----------------------------------------------------------------------------------------------

    def key(self) -> str:
        """The public key, in hex; made on first use. Raises NoSeal."""
        return _public(self._private())

    def key_if_any(self) -> str | None:
        """The public key if there is one already. Raises NoSeal."""
        return self.key() if self.key_file.exists() else None

    def sign(self, size: int, root: str, why: Why, at: datetime) -> Head:
        """A head, signed. Raises NoSeal."""
        private = self._private()
        head = Head(size, root, at.isoformat().replace("+00:00", "Z"), why, _public(private), "")
        return head._replace(signature=private.sign(head.statement()).hex())

    def _private(self) -> Ed25519PrivateKey:
        try:
            if not self.key_file.exists():
                self._make_key()
            if self.key_file.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
                raise NoSeal(f"others than its owner can read {self.key_file}: chmod 600 it, or make a new key elsewhere")
            key = serialization.load_pem_private_key(self.key_file.read_bytes(), None)
        except OSError as error:
            raise NoSeal(f"the signing key {self.key_file} cannot be used: {error.strerror}") from error
        except ValueError as error:
            raise NoSeal(f"{self.key_file} holds no private key: {error}") from error
        if not isinstance(key, Ed25519PrivateKey):
            raise NoSeal(f"{self.key_file} holds no Ed25519 key")
        return key

    def _make_key(self) -> None:
        """Whole or not at all, and never over another one."""
        pem = Ed25519PrivateKey.generate().private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        self.key_file.parent.mkdir(parents=True, exist_ok=True)
        number, name = tempfile.mkstemp(dir=self.key_file.parent, prefix=".signing-")  # of mode 0600
        try:
            with open(number, "wb") as file:  # noqa: PTH123 - it is open already
                file.write(pem)
                _sync(file.fileno())
            with contextlib.suppress(FileExistsError):  # another process was first
                os.link(name, self.key_file)
        finally:
            Path(name).unlink()
        _sync_folder(self.key_file.parent)

    # --- the heads --------------------------------------------------------------------------------------------

    def keep(self, head: Head) -> None:
        """Write a head outside, on disk when this returns. Raises NoSeal."""
        line = json.dumps(head._asdict(), sort_keys=True, separators=(",", ":")).encode() + b"\n"
        try:
            self.heads_file.parent.mkdir(parents=True, exist_ok=True)
            with self.heads_file.open("a+b") as file:
                fcntl.flock(file, fcntl.LOCK_EX)
                end = file.seek(0, os.SEEK_END)
                if end:  # half a line, left by a crash, stays a line of its own
                    file.seek(end - 1)
                    line = line if file.read(1) == b"\n" else b"\n" + line
                file.write(line)
                file.flush()
                _sync(file.fileno())
            _sync_folder(self.heads_file.parent)
        except OSError as error:
            raise NoSeal(f"the head cannot be written to {self.heads_file}: {error.strerror}") from error

    def kept(self) -> tuple[list[Head], list[int]]:
        """The heads that were written outside, and the numbers of lines that are none. Raises NoSeal."""
        try:
            return read_heads(self.heads_file.read_bytes()) if self.heads_file.exists() else ([], [])
        except OSError as error:
            raise NoSeal(f"{self.heads_file} cannot be read: {error.strerror}") from error

    def forget(self) -> None:
        """Of a ledger that is made anew, such as the demo's, the heads are of no use."""
        if self.heads_file.exists():
            self.heads_file.unlink()


def _public(private: Ed25519PrivateKey) -> str:
    return private.public_key().public_bytes_raw().hex()


def _sync(number: int) -> None:
    os.fsync(number)


def _sync_folder(folder: Path) -> None:
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def newest(heads: Sequence[Head], size: int) -> Head | None:
    """The smallest head that stands over so many entries: the one signed soonest after them."""
    return min((head for head in heads if head.size >= size), default=None)
