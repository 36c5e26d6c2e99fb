"""A session's own keypoints: what is said of their errors, and long files cut into their serves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from calibration.calibrated_rig import CalibratedRig
from calibration.errors import BadInput
from calibration.own import load_any_rig
from recon.keypoints import OwnNoise, own_rows, read_own_keypoints
from recon.keypoints.own_file import COLUMNS, ROW
from recon.records import BODY, KEYPOINTS, RACKET, NoiseShape, Tracks2D, usual_noise
from recon.session import KeypointNoise, Session

_GROUPS: Mapping[str, tuple[str, ...]] = {"all": KEYPOINTS, "body": BODY, "racket": RACKET}


def own_file(session: Session) -> Path:
    """The session's keypoint file. Raises BadInput where it names none, or one that is not there."""
    path = session.folder / (session.file.keypoints or "")
    if session.file.keypoints is None or not path.is_file():
        raise BadInput(f"{session.folder / 'session.toml'}: keypoints: no file {path}")
    return path


def own_tracks(session: Session, rig: CalibratedRig, file: Path | None = None) -> Tracks2D:
    """2D tracks from the session's keypoint file, or from one cut from it. Raises BadInput for a wrong row."""
    path = own_file(session)
    tracks = read_own_keypoints(
        file or path, rig.cameras, unused_cameras(session, rig), noise=own_noise(session)
    )
    return Tracks2D(tracks.keypoints, tracks.cameras, f"own keypoints: {path.name}", tracks.noise)


def unused_cameras(session: Session, rig: CalibratedRig) -> list[str]:
    """Cameras that the session's rig has beside those that are used."""
    return [name for name in load_any_rig(session.rig_path).names if name not in rig.names]


def own_noise(session: Session) -> dict[str, OwnNoise]:
    """Per keypoint, what [keypoint_noise] says: of all, then of body or racket, then of the point itself.

    Raises BadInput for an unknown name, and for shares that do not add up to 1.
    """
    where = f"{session.folder / 'session.toml'}: [keypoint_noise]"
    said: dict[str, OwnNoise] = {}
    entries = session.file.keypoint_noise
    for name in sorted(entries, key=lambda n: (n != "all", n not in _GROUPS)):
        points = _GROUPS.get(name, (name,))
        if name not in _GROUPS and name not in KEYPOINTS:
            raise BadInput(f"{where}: unknown point {name!r}; want all, body, racket or a keypoint's name")
        for point in points:
            said[point] = _with(said.get(point, OwnNoise()), entries[name], point, f"{where}: {name}")
    return said


def _with(before: OwnNoise, entry: KeypointNoise, point: str, where: str) -> OwnNoise:
    sigma = entry.sigma_px if entry.sigma_px is not None else before.sigma_px
    if entry.white is None and entry.slow is None and entry.bias is None:
        return OwnNoise(sigma, before.shape)
    lasting = before.shape or usual_noise(point)
    try:
        shape = NoiseShape(
            white=entry.white or 0.0,
            slow=entry.slow or 0.0,
            bias=entry.bias or 0.0,
            slow_s=entry.slow_s or lasting.slow_s,
        )
    except BadInput as error:
        raise BadInput(f"{where}: {error}") from error
    return OwnNoise(sigma, shape)


def cut_own_file(
    session: Session, rig: CalibratedRig, cuts: Sequence[tuple[Path, Mapping[str, tuple[float, float]]]]
) -> None:
    """Stretches of a long file as files of their own, in one reading: (file, per camera first and last time).

    What is read from such a file is what would be read of the stretch; messages name the rows of the long file.
    Raises BadInput where a row is at fault.
    """
    parts = [(file.with_name(f".{file.name}.part"), file, spans) for file, spans in cuts]
    for part, _, _ in parts:
        part.parent.mkdir(parents=True, exist_ok=True)
        part.write_text(",".join((*COLUMNS, ROW)) + "\n", encoding="utf-8")
    for rows in own_rows(own_file(session), rig.names, unused_cameras(session, rig), own_noise(session)):
        t = rows["time_s"].to_numpy()
        for part, _, spans in parts:
            low, high = (
                rows["camera"].map({n: s[k] for n, s in spans.items()}).to_numpy(float) for k in (0, 1)
            )
            within = rows[(t >= low) & (t < high)]
            if len(within):
                within[[*COLUMNS, ROW]].to_csv(part, mode="a", header=False, index=False)
    for part, file, _ in parts:
        part.replace(file)
