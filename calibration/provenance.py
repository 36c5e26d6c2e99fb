"""What made a record: program version, options, and the content of its inputs."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import MappingProxyType

from calibration.errors import BadInput

METHOD = "4"
"""Raised whenever the calibration's numbers may change; older derived files then count as out of date."""

_CHUNK = 1 << 20
_LONG = 1 << 26  # bytes; a shorter file is read anew each time, in a tenth of a second


@dataclass(frozen=True, slots=True)
class Provenance:
    """program_version, options (as text or numbers), inputs: name → SHA-256 of the content."""

    program_version: str
    options: Mapping[str, str | float] = field(default_factory=dict)
    inputs: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "options", MappingProxyType(dict(self.options)))
        object.__setattr__(self, "inputs", MappingProxyType(dict(self.inputs)))

    def same_making(self, other: Provenance | None) -> bool:
        """True where both were made by the same version from the same inputs with the same options."""
        return (
            other is not None
            and self.program_version == other.program_version
            and dict(self.options) == dict(other.options)
            and dict(self.inputs) == dict(other.inputs)
        )


def program_version() -> str:
    """Version of the installed program with the calibration method's number."""
    try:
        return f"{version('courtplumb')}/{METHOD}"
    except PackageNotFoundError:
        return f"source/{METHOD}"


def content_hash(path: Path | str) -> str:
    """SHA-256 (hex) of a file's bytes; of a folder, over the names and contents of its files in order of name.

    Raises BadInput where it does not exist.
    """
    path = Path(path)
    total = hashlib.sha256()
    if path.is_dir():
        for file in sorted(p for p in path.iterdir() if p.is_file()):
            total.update(f"{file.name}\0{content_hash(file)}\0".encode())
        return total.hexdigest()
    if not path.exists():
        raise BadInput(f"{path}: no such file")
    head = path.stat()
    if head.st_size < _LONG:
        return _hash_of(path)
    return _hash_of_long(path.resolve(), head.st_size, head.st_mtime_ns)


@lru_cache(maxsize=64)  # each serve of a long recording asks for all of its files
def _hash_of_long(path: Path, _size: int, _changed_ns: int) -> str:
    return _hash_of(path)


def _hash_of(path: Path) -> str:
    total = hashlib.sha256()
    with path.open("rb") as data:
        while chunk := data.read(_CHUNK):
            total.update(chunk)
    return total.hexdigest()
