"""The session file of one serve of a long session: the long one's, but for what was cut."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

import tomlkit

from recon.session import Session

_PER_CAMERA = ("video", "video_rate", "window", "server", "shutter", "clock")


def serve_toml(
    session: Session, reference: str, folder: Path, cameras: Collection[str], own: Mapping[str, Any], head: str
) -> str:
    """Text of a serve's session.toml; times stay those of the long recordings.

    reference  the long session's first camera, which offsets are told against;  cameras  those that filmed it
    own        keys that say where the serve's part of the recordings is;  head  a comment for its first line
    """

    def there(path: Path) -> str:
        return Path(os.path.relpath(path.resolve(), folder)).as_posix()

    told = session.file.model_dump(mode="json", exclude_defaults=True, exclude_none=True)
    told |= {"rig": there(session.folder / session.file.rig), "cameras": list(cameras), **own}
    for key in _PER_CAMERA:
        told[key] = {name: value for name, value in told.get(key, {}).items() if name in cameras}
    for name in told["video"]:
        told["video"][name] = there(session.video_path(name))
    if reference not in cameras and reference not in session.file.clock:
        told["clock"] = {}  # offsets against a camera that did not film this serve
    for sound in told.get("sound", {}).get("camera", {}).values():
        if "file" in sound:
            sound["file"] = there(session.folder / sound["file"])
    document = tomlkit.document()
    document.add(tomlkit.comment(head))
    document.update({key: value for key, value in told.items() if value not in ({}, None)})
    return tomlkit.dumps(document)
