"""The page as it is served."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from handsfree.glance.server import Glance


@pytest.fixture
def glance() -> Iterator[Glance]:
    served = Glance("127.0.0.1", 0)
    yield served
    served.close()
