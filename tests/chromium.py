"""A Chromium for the tests of pages, if the machine has one.

`BRINEWATT_CHROMIUM` names it; else the usual names on the path, else the copy that playwright installs.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")


def found(playwright_copy: str) -> str | None:
    """Return the path of a Chromium, or None."""
    named = os.environ.get("BRINEWATT_CHROMIUM")
    if named:
        return named
    on_path = next((path for name in NAMES if (path := shutil.which(name))), None)
    return on_path or (playwright_copy if Path(playwright_copy).exists() else None)


@contextmanager
def browser() -> Iterator[Browser]:
    """Start a headless Chromium; skip, with the reason, where there is none."""
    with sync_playwright() as playwright:
        path = found(playwright.chromium.executable_path)
        if path is None:
            pytest.skip(
                "no Chromium on this machine: install one (apt-get install chromium, or python -m playwright "
                "install chromium) or name it in BRINEWATT_CHROMIUM"
            )
        # Containers often run as root, where Chromium's own sandbox refuses to start; the pages are ours.
        started = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        try:
            yield started
        finally:
            started.close()
