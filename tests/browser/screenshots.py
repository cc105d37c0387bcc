"""A picture of every page as a phone and a desk show it, for whoever looks at them.

    python -m tests.browser.screenshots --out FOLDER --browser /usr/bin/chromium [--address URL --key KEY]

Without an address a small demo is made in a database of its own and served meanwhile. It is no command of the product: a
nursery has no use for it, and the browser is driven by what only the tests install.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from ledger.postgres import Server
from tests import visits
from tests.browser.conftest import QUIET, SIZES, signed_in
from tests.conftest import QUICK, embedded_folder, fresh
from tests.visits import Demo


def take(browser: Browser, demo: Demo, out: Path) -> list[Path]:
    """Pictures of the whole of every page, in both sizes; those that were written."""
    out.mkdir(parents=True, exist_ok=True)
    written = []
    for name, size in SIZES.items():
        device = signed_in(browser, demo, size)
        page = device.new_page()
        for example in visits.addresses():
            page.goto(demo.address + demo.at(example), wait_until="networkidle")
            file = out / f"{_file(example)}.{name}.png"
            page.screenshot(path=file, full_page=True)
            written.append(file)
        device.close()
    return written


def _file(example: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", example.lower()).strip("-") or "root"


@contextmanager
def _demo(address: str | None, key: str | None) -> Iterator[Demo]:
    if address and key:
        yield visits.found_in("", address, key)
        return
    with (
        embedded_folder() as folder,
        Server(folder / "postgres", QUICK).use() as server,
        fresh(server.conninfo("postgres")) as name,
        visits.served_demo(server.conninfo(name)) as served,
    ):
        yield served


def main() -> None:
    """Take them all."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--browser", required=True)
    parser.add_argument("--address")
    parser.add_argument("--key")
    asked = parser.parse_args()
    with _demo(asked.address, asked.key) as demo, sync_playwright() as tool:
        browser = tool.chromium.launch(executable_path=asked.browser, args=QUIET)
        taken = take(browser, demo, asked.out)
        browser.close()
    print(f"{len(taken)} pictures in {asked.out}")  # noqa: T201 - it is what one runs it for


if __name__ == "__main__":
    main()
