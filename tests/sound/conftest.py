"""The virtual sound card that the tests of this room share."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from virtual_card import SoundCard, missing


@contextlib.contextmanager
def _a_sound_card() -> Iterator[SoundCard]:
    if lacks := missing():
        pytest.skip(lacks)
    # The socket's path has to be short, which pytest's own folders are not on every machine.
    with tempfile.TemporaryDirectory(prefix="card-", ignore_cleanup_errors=True) as folder:
        card = SoundCard(Path(folder))
        try:
            if "pulse" not in card.devices():
                pytest.skip("a virtual sound card needs PortAudio and ALSA's pulse plugin")
            yield card
        finally:
            card.close()


@pytest.fixture(scope="module")
def sound_card() -> Iterator[SoundCard]:
    with _a_sound_card() as card:
        yield card


@pytest.fixture
def own_card() -> Iterator[SoundCard]:
    """One that a test may break."""
    with _a_sound_card() as card:
        yield card
