"""Shared by all tests: each test owns its random stream."""

from __future__ import annotations

import zlib
from pathlib import PurePosixPath

import numpy as np
import pytest
from hypothesis import settings
from xdist.remote import Producer
from xdist.scheduler import LoadScopeScheduling

# a first call compiles or loads compiled code, and how fast a loaded machine is tells nothing of a law
settings.register_profile("courtplumb", deadline=None)
settings.load_profile("courtplumb")


class BySharedFixture(LoadScopeScheduling):
    """What shares a costly fixture stays in one process: the folders of the rendered serve, else each file."""

    def _split_scope(self, nodeid: str) -> str:
        path = nodeid.partition("::")[0]
        folder = PurePosixPath(path).parent.name
        return folder if folder in {"end_to_end", "demo_rigs"} else path


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> LoadScopeScheduling:
    return BySharedFixture(config, log)


@pytest.fixture
def rng(request: pytest.FixtureRequest) -> np.random.Generator:
    """Seeded by the test's own name: adding a test never moves another test's numbers."""
    return np.random.default_rng(zlib.crc32(request.node.nodeid.encode()))
