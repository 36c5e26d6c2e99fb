"""What else than the motion tells a session's clocks: given offsets, the sound of the contact, a flash."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput, NotMeasurable
from calibration.footage import frames
from calibration.geometry import Camera
from calibration.sound_track import sound_track
from calibration.video_times import AS_STAMPED
from recon.flight import fit_flight
from recon.instants import points_at_instants
from recon.pipeline.footage import timed
from recon.records import Clock, Clocks, Tracks2D
from recon.session import Session
from recon.sync import SameInstant, combine, estimate_clocks
from recon.sync.flash import Brightness, instant_flashed
from recon.sync.sound import Air, Heard, instant_heard, onset

_SKEW_U_S = 0.030
"""A file's sound and pictures lie apart by up to some tens of milliseconds (common practice)."""
_U_PLACE_M = 0.1  # where the ball leaves the strings, and where in a camera its microphone sits
_MARGIN_S = 0.05


@dataclass(frozen=True, slots=True)
class ClockNotes:
    """Sentences: how every source fared, and which of them a person has to look at."""

    told: tuple[str, ...] = ()
    trouble: tuple[str, ...] = ()


def first_clocks(session: Session, cameras: Sequence[Camera], tracks: Tracks2D) -> Clocks:
    """Clocks from the motion; where it does not tell, those given for all cameras, or NotMeasurable."""
    try:
        return estimate_clocks(cameras, tracks)
    except NotMeasurable:
        given = session.file.clock
        reference, *others = (camera.name for camera in cameras)
        if not all(name in given for name in others):
            raise
        first = given[reference].offset_s if reference in given else 0.0
        own = [Clock(n, given[n].offset_s - first, given[n].u_ms / 1e3, source="given") for n in others]
        return Clocks(reference, (Clock(reference, 0.0, 0.0), *own))


def with_other_sources(
    session: Session, cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks
) -> tuple[Clocks, ClockNotes]:
    """The clocks put together with every other source that the session names, and how each fared.

    Raises BadInput where a sound file cannot be read.
    """
    instants, notes = [], []
    given = _given(session, clocks)
    if given is not None:
        instants.append(given)
    if session.file.sound is not None:
        try:
            instants.append(heard_contact(session, cameras, tracks, clocks))
        except NotMeasurable as error:
            notes.append(f"sound does not tell the clocks: {error}")
    if session.file.flash:
        try:
            instants.append(_flashed(session, clocks))
        except NotMeasurable as error:
            notes.append(f"the flash does not tell the clocks: {error}")
    clocks, judged = combine(clocks, instants)
    told = (*notes, *(j.sentence() for j in judged))
    return clocks, ClockNotes(told, tuple(j.sentence() for j in judged if not j.used))


def _given(session: Session, clocks: Clocks) -> SameInstant | None:
    """Offsets of session.toml as readings of one instant; none where the motion told nothing beside them."""
    given = session.file.clock
    strange = sorted(set(given) - {c.camera for c in clocks.clocks} - set(session.file.video))
    if strange:
        raise BadInput(f"{session.folder / 'session.toml'}: [clock]: no camera {strange[0]!r}")
    names = [c.camera for c in clocks.clocks if c.camera == clocks.reference or c.camera in given]
    if len(names) < 2 or any(c.source == "given" for c in clocks.clocks):
        return None
    read = np.array([-given[n].offset_s if n in given else 0.0 for n in names])
    u = np.array([given[n].u_ms / 1e3 if n in given else 0.0 for n in names])
    return SameInstant("given", tuple(names), read, np.diag(u**2))


_BANDS = 96
_EVERY = 4  # columns of a band that are looked at


def _flashed(session: Session, clocks: Clocks) -> SameInstant:
    """The flash as the videos show it. Raises NotMeasurable where one of them shows none."""
    seen = []
    for clock in clocks.clocks:
        upright = clock.first_side in ("top", "bottom")
        times, bands = [], []
        for frame in frames(timed(session, clock.camera).video):
            along = frame.image_bgr if upright else frame.image_bgr.swapaxes(0, 1)
            edges = np.linspace(0, len(along), _BANDS + 1).astype(int)[:-1]
            rows = along[:, ::_EVERY].mean(axis=(1, 2))
            bands.append(np.add.reduceat(rows, edges) / np.diff(np.append(edges, len(along))))
            times.append(frame.t_s)
        place = (np.arange(_BANDS) + 0.5) / _BANDS - 0.5
        share = place if clock.first_side in ("top", "left") else -place
        seen.append(
            Brightness(
                clock.camera, np.array(times), np.array(bands), share, clock.readout_s, clock.u_readout_s
            )
        )
    return instant_flashed(seen)


def sound_paths(session: Session) -> dict[str, Path]:
    """Camera -> the file with its sound: those named under [sound.camera], else every video."""
    sound = session.file.sound
    if sound is None:
        return {}
    used = sound.camera or dict.fromkeys(session.file.video)
    out = {}
    for name in used:
        own = sound.camera.get(name)
        out[name] = session.folder / own.file if own is not None and own.file else session.video_path(name)
    return out


def heard_contact(session: Session, cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks) -> SameInstant:
    """The contact as the recordings have it. Raises NotMeasurable where it is not seen or not heard twice."""
    flight, broken, why = fit_flight(points_at_instants(cameras, tracks, clocks))
    if flight is None or broken is None:
        raise NotMeasurable(why or "no contact of racket and ball was seen to listen for")
    sound = session.file.sound
    assert sound is not None  # asked by the caller
    air = Air(temperature_c=sound.air_c, u_c=sound.u_air_c)
    place = flight.at(np.array(broken.t_s))
    heard, missing = [], []
    paths = sound_paths(session)
    for camera in (c for c in cameras if c.name in paths):
        try:
            heard.append(
                _one(session, camera, paths[camera.name], clocks.of(camera.name), place, broken.t_s, air)
            )
        except NotMeasurable as error:
            missing.append(f"{camera.name}: {error}")
    if len(heard) < 2:
        raise NotMeasurable("; ".join(missing) or "fewer than two recordings")
    return instant_heard(heard, place, _U_PLACE_M, air)


def _one(
    session: Session, camera: Camera, path: Path, clock: Clock, place_m: Array, t_s: float, air: Air
) -> Heard:
    sound = session.file.sound
    own = sound.camera.get(camera.name) if sound is not None else None
    if own is None or own.file is None:
        video = timed(session, camera.name).video
        if video.times != AS_STAMPED:
            raise NotMeasurable("how sound runs in a video whose stamps are not its true times is not known")
    skew_s = own.skew_ms / 1e3 if own is not None else 0.0
    u_skew_s = own.u_ms / 1e3 if own is not None and own.u_ms is not None else _SKEW_U_S
    way_s = float(np.linalg.norm(camera.centre_m() - place_m)) / air.speed_m_s()[0]
    expected = float(clock.camera_time(t_s)) + way_s + skew_s
    reach = _MARGIN_S + 3 * float(np.hypot(u_skew_s, clock.u_s))
    track = sound_track(path, (expected - reach, expected + reach))
    first, last = (round((expected + side - track.start_s) * track.rate_hz) for side in (-reach, reach))
    first, last = max(first, 0), min(last, len(track.samples))
    if last <= first:
        raise NotMeasurable("its recording does not reach to the contact")
    at_s, u_s = onset(track.samples[first:last], track.rate_hz)
    began = track.start_s + first / track.rate_hz + at_s
    u_s = float(np.hypot(u_s, track.u_start_s))
    return Heard(camera.name, began, u_s, skew_s, u_skew_s, camera.centre_m())
