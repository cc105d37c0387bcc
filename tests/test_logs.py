"""What a served process writes on its streams: nothing where all is well, and trouble in lines without what is in variables."""

from __future__ import annotations

import subprocess
import sys

#: two applications in one process, as the demo has them: the second meets what the first has set up
SERVES = """
import socket, sys
from ledger import logs, serving
logs.quiet()
for _ in range(2):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with serving.in_background(sys.argv[1], "127.0.0.1", port):
        pass
"""
FAILS = """
import logging
import structlog
from ledger import logs
logs.quiet()
def read(secret):
    raise ValueError("it broke")
for log in (structlog.get_logger(), logging.getLogger("a.library")):
    try:
        read("tally-" + "0042")
    except ValueError:
        log.exception("trouble")
logging.getLogger("a.library").info("daily work")
logging.getLogger("a.library").warning("a %s", "warning")
"""


def run(program: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """A Python of its own."""
    return subprocess.run([sys.executable, "-c", program, *arguments], capture_output=True, text=True, timeout=60, check=True)


def test_a_process_that_serves_writes_nothing_while_all_is_well(database: str) -> None:
    """No library's daily work, on neither stream."""
    done = run(SERVES, database)
    assert (done.stdout, done.stderr) == ("", "")


def test_trouble_is_told_once_in_the_same_way_by_whoever_has_it() -> None:
    """On the error stream, with level and time, and the traceback's lines; no values of variables."""
    done = run(FAILS)
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    assert [line.split("[", 1)[1].split() for line in lines if line.startswith("2")] == [
        ["error", "]", "trouble"],
        ["error", "]", "trouble", "[a.library]"],
        ["warning", "]", "a", "warning", "[a.library]"],
    ]
    assert done.stderr.count("Traceback (most recent call last):") == done.stderr.count("ValueError: it broke") == 2
    assert "0042" not in done.stderr.replace('"0042")', "")
    assert "daily work" not in done.stderr
