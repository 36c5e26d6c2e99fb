"""Shared by all tests: each test owns its random stream."""

from __future__ import annotations

import zlib

import numpy as np
import pytest


@pytest.fixture
def rng(request: pytest.FixtureRequest) -> np.random.Generator:
    """Seeded by the test's own name: adding a test never moves another test's numbers."""
    return np.random.default_rng(zlib.crc32(request.node.nodeid.encode()))
