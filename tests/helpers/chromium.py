"""The browser that pages are looked at in; None where there is none, or no playwright to drive it."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
try:
    from playwright.sync_api import sync_playwright
except ImportError:
    CHROMIUM = None


@contextmanager
def open_browser() -> Iterator[Any]:
    with sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()
