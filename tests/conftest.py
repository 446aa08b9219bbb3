"""The tests run with what is built in, whatever the settings of whoever runs them."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from handsfree import settings
from handsfree.sound import engines

hypothesis.settings.register_profile("any machine", deadline=None)  # however slow it is, or busy
hypothesis.settings.load_profile("any machine")

# Files that take longest, mostly by waiting in real time: none of them should begin when the others are over.
BEGIN_FIRST = ("test_loop.py", "test_demo.py", "test_devices.py", "test_soundcheck.py", "test_watch_heard.py")


LONGEST = "test_a_whole_demo_session_is_held_live_with_a_technician_who_cuts_in"  # minutes


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The others keep their order."""
    places = {name: place for place, name in enumerate(BEGIN_FIRST)}
    items.sort(key=lambda item: (item.name != LONGEST, places.get(item.path.name, len(places))))


@pytest.fixture(scope="session", autouse=True)
def _built_in_settings(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    empty = tmp_path_factory.mktemp("settings") / "settings.toml"
    empty.touch()
    with pytest.MonkeyPatch.context() as patch:
        for name in settings.NAMES:
            patch.delenv(settings.variable(name), raising=False)
        patch.setitem(os.environ, settings.VARIABLE, str(empty))
        patch.setitem(os.environ, engines.VARIABLE, "")  # a model in models/ is used by the tests that ask for it
        yield


@pytest.fixture(scope="session")
def english_vosk() -> Path:
    """The folder of the English Vosk model that ``python models/fetch.py`` puts in its place."""
    folder = Path(__file__).parents[1] / "models" / "vosk-small-en-us"
    if not folder.is_dir():
        pytest.skip("no English Vosk model: 'python models/fetch.py' fetches it")
    return folder


@pytest.fixture
def settings_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The file that is the settings file during the test."""
    file = tmp_path / "settings.toml"
    monkeypatch.setenv(settings.VARIABLE, str(file))
    return file


@pytest.fixture
def interruptible() -> Iterator[None]:
    """What the test starts can be interrupted; where the tests run in the background a shell has that ignored."""
    signals = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.signal(number, signal.default_int_handler) for number in signals}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    """A real browser."""
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
