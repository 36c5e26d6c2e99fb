"""Where the next frame of a clip will show a player, told from where the last ones did."""

from __future__ import annotations

from dataclasses import dataclass

from recon.keypoints.pose import Window

_MEMORY_S = 0.1
"""A jump changes the speed within some tenths of a second; landmarks jitter from frame to frame."""
_LOST_AFTER_S = 0.15
_WIDER_PER_S = 1.0
"""Share of the side. A jump changes the hips' speed by some 20 m/s each second (assumed): 0.2 m off after
0.15 s of steady speed, a fifteenth of a window, whose side is some 3 m."""


@dataclass(frozen=True, slots=True)
class Trail:
    """The windows in which a player was seen lately: (t_s, window), oldest first."""

    seen: tuple[tuple[float, Window], ...] = ()

    def then(self, t_s: float, window: Window) -> Trail:
        """The trail with one more sight; what is too old to tell the speed is forgotten."""
        return Trail((*(s for s in self.seen if s[0] >= t_s - _MEMORY_S), (t_s, window)))

    def expected(self, t_s: float) -> Window | None:
        """Where to look at a later time: on at steady speed, and wider the longer the last sight is ago.

        None where there was none, or too long ago.
        """
        if not self.seen or t_s - self.seen[-1][0] > _LOST_AFTER_S:
            return None
        (first_s, first), (last_s, last) = self.seen[0], self.seen[-1]
        gone_s = t_s - last_s
        # sights close together tell jitter rather than speed: never farther ahead than they are apart
        ahead = min(gone_s / (last_s - first_s), 1.0) if last_s > first_s else 0.0
        return Window(
            last.u_px + ahead * (last.u_px - first.u_px),
            last.v_px + ahead * (last.v_px - first.v_px),
            last.side_px * (1 + _WIDER_PER_S * gone_s),
        )
