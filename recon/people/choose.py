"""Which of the people in view is the server: by place on the court first; raised hands must not contradict."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput, NotMeasurable
from recon.people.persons import Gathering, Person
from recon.people.place import AS_LIKELY_M, MAY_BEGIN_M, away_m
from recon.people.sightings import Sighting

_BEGINS_S = 0.3  # a pixel names somebody in the clip's first look
_UP_LOOKS = 2  # a hand seen above the head in so many looks was no mistake of the detector


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """The server among the people in view, None where nobody stands where one may, and why it is this one."""

    server: Person | None
    why: str


def choose_server(gathering: Gathering, told: Mapping[str, Array] | None = None) -> Choice:
    """The server. told: camera -> (2,) pixel on the server's hips when that camera's clip begins.

    One pixel of one camera is enough. Without any, it is who stands where servers do, if it is one person only,
    or only one of them raises a hand above the head.
    Raises NotMeasurable where two fit about equally well, or a pixel names nobody; BadInput where pixels of two
    cameras name two people.
    """
    if told:
        return _named(gathering, told)
    likely = sorted((p for p in gathering.people if _away(p) < MAY_BEGIN_M), key=_away)
    if not likely:
        return Choice(None, "nobody stands where a server may")
    best, *others = likely
    raising = [p for p in likely if _hand_looks(p) >= _UP_LOOKS]
    # two whom no camera saw both may be one person, whose clips could not be aligned
    others = [p for p in others if _together(p, best)]
    rivals = [p for p in others if _away(p) < _away(best) + AS_LIKELY_M]
    if rivals and len(raising) == 1 and raising[0] in (best, *rivals):
        return Choice(
            raising[0], f"{len(rivals) + 1} people stand where the server may; this one raises a hand"
        )
    if not rivals and raising and best not in raising:
        rivals = [p for p in raising if p in others]  # one stands better, the other does what servers do
    if rivals:
        raise NotMeasurable(_question(best, rivals[0]))
    return Choice(best, "stands where servers do" if others else "nobody else stands where a server may")


def _away(person: Person) -> float:
    """Metres from where servers stand, most of the time."""
    return float(np.median(away_m(person.track.xy_m)))


def _hand_looks(person: Person) -> int:
    return sum(s.hand_is_up for path in person.paths for s in path.sightings)


def _first(person: Person, camera: str, gathering: Gathering) -> Sighting | None:
    """The person in that camera's first picture in which anybody was seen."""
    begins = min((s.t_s for p in gathering.people for s in p.seen_by(camera)), default=np.inf)
    return next((s for s in person.seen_by(camera) if s.t_s <= begins + _BEGINS_S), None)


def _named(gathering: Gathering, told: Mapping[str, Array]) -> Choice:
    found = {}
    for camera, pixel in sorted(told.items()):
        seen = [(p, s) for p in gathering.people if (s := _first(p, camera, gathering)) is not None]
        off = [float(np.linalg.norm(s.hips_px - pixel)) / s.height_px for _, s in seen]
        if not off or min(off) > 1.0:
            raise NotMeasurable(
                f"[server] {camera} = [{pixel[0]:.0f}, {pixel[1]:.0f}]: nobody is seen there when the clip "
                "begins"
                f"{_pixels(gathering.people, camera, gathering)}"
            )
        found[camera] = seen[int(np.argmin(off))][0]
    first, *others = found
    for camera in others:
        if found[camera] is not found[first] and _together(found[camera], found[first]):
            raise BadInput(
                f"[server]: the pixels of {first} and {camera} are on two people; one camera's pixel is enough"
            )
    # where geometry could not join them the first camera's speaks for itself; both are one person's by word
    return Choice(found[first], f"named by a pixel in {', '.join(found)}")


def _together(one: Person, other: Person) -> bool:
    return bool(set(one.cameras) & set(other.cameras))


def _pixels(people: Sequence[Person], camera: str, gathering: Gathering) -> str:
    hips = [s.hips_px for p in people if (s := _first(p, camera, gathering)) is not None]
    return f"; there are {', '.join(f'[{u:.0f}, {v:.0f}]' for u, v in hips)}" if hips else ""


def _question(one: Person, other: Person) -> str:
    """Both people with their pixels, and the line that settles it."""
    said = " and ".join(_described(p) for p in (one, other))
    line = next((f"{camera} = [{u:.0f}, {v:.0f}]" for camera, (u, v) in _hips(one)), "CAMERA = [u, v]")
    return (
        f"two people stand where the server may: {said}; say which one by one pixel on the server's hips when "
        f"the clip begins, of one camera, in session.toml: [server] {line}"
    )


def _described(person: Person) -> str:
    x, y = np.median(person.track.xy_m, axis=0)
    pixels = ", ".join(f"{camera} = [{u:.0f}, {v:.0f}]" for camera, (u, v) in _hips(person))
    return f"one at x {x:.1f} m, y {y:.1f} m ({pixels})"


def _hips(person: Person) -> list[tuple[str, Array]]:
    return [(camera, person.seen_by(camera)[0].hips_px) for camera in person.cameras]
