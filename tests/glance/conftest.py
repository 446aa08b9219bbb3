"""The page as it is served, and a real browser that looks at it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from handsfree.glance.server import Glance


@pytest.fixture
def glance() -> Iterator[Glance]:
    served = Glance("127.0.0.1", 0)
    yield served
    served.close()


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    driver = shutil.which("chromedriver")
    if chromium is None or driver is None:
        pytest.skip("no Chromium with its driver is installed")
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    folder = tmp_path_factory.mktemp("chromium")
    for argument in (
        *("--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"),
        *("--disable-dev-shm-usage", f"--user-data-dir={folder}"),
    ):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    started = webdriver.Chrome(options=options, service=Service(driver))
    yield started
    started.quit()
