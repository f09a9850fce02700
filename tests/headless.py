"""A browser without a window."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from selenium.webdriver.chrome.webdriver import WebDriver

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")


@contextmanager
def headless(profile: Path) -> Iterator[WebDriver]:
    """Chromium; the test is skipped where it or its driver is not installed."""
    if CHROMIUM is None or DRIVER is None:
        pytest.skip("chromium and its driver are not installed (Debian: chromium-driver)")
    from selenium.webdriver import Chrome, ChromeOptions
    from selenium.webdriver.chrome.service import Service

    options = ChromeOptions()
    options.binary_location = CHROMIUM
    for argument in (
        "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
        "--window-size=1400,1000", f"--user-data-dir={profile}",
    ):  # fmt: skip
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = Chrome(options=options, service=Service(DRIVER))
    try:
        yield driver
    finally:
        driver.quit()
