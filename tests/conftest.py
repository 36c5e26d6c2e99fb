"""Shared by all tests: each test owns its random stream."""

from __future__ import annotations

import zlib

import numpy as np
import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What shares a costly fixture stays in one process: the folders of the rendered serve, else each file."""
    for item in items:
        folder = item.path.parent.name
        shared = folder if folder in {"end_to_end", "demo_rigs"} else str(item.path)
        item.add_marker(pytest.mark.xdist_group(shared))


@pytest.fixture
def rng(request: pytest.FixtureRequest) -> np.random.Generator:
    """Seeded by the test's own name: adding a test never moves another test's numbers."""
    name = request.node.nodeid.partition("@")[0]  # run in parallel, a test's group is added behind an @
    return np.random.default_rng(zlib.crc32(name.encode()))
