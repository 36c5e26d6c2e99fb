"""The text of a rig folder's rig.toml, for tests that care only for what its cameras point to."""

from __future__ import annotations

from collections.abc import Mapping


def rig_toml(cameras: Mapping[str, str], more: str = "") -> str:
    """An invented court, a board of 9 x 6 squares of 100 mm, each camera with its own lines; `more` last."""
    text = 'name = "invented court"\n[board]\ncolumns = 9\nrows = 6\nsquare_mm = 100.0\n'
    for name, lines in cameras.items():
        text += f'[[camera]]\nname = "{name}"\n{lines}\n'
    return text + more
