"""Cameras that are seen directly: a device of this computer, or a stream in the local network."""

from __future__ import annotations

import ipaddress
import sys
from collections.abc import Iterator
from pathlib import Path
from threading import Condition, Thread
from urllib.parse import urlsplit

import av

from calibration.errors import BadInput, CourtplumbError
from calibration.guide.follow import Arrival, Patience, decoded, follow

_DEVICE_FORMATS = {"linux": "v4l2", "darwin": "avfoundation", "win32": "dshow"}
_SCHEMES = ("rtsp", "rtp", "udp", "tcp", "http", "https", "srt")
_OPEN_S, _READ_S = 20.0, 5.0  # a camera that answers so late is not there


def arrivals(source: str, patience: Patience) -> Iterator[Arrival]:
    """Pictures of a source as the user names it: a path, a device (/dev/video0, or device:NAME), or an address
    of the local network (rtsp://192.168.0.20/…). Raises BadInput where it cannot be opened."""
    if is_live(source):
        return _live(source, patience)
    return follow(Path(source), patience)


def is_live(source: str) -> bool:
    """True for devices and addresses, False for paths."""
    return source.startswith(("/dev/", "device:")) or urlsplit(source).scheme in _SCHEMES


def _live(source: str, patience: Patience) -> Iterator[Arrival]:
    if urlsplit(source).scheme in _SCHEMES:
        want_local(source)
        name, form = source, None
    else:
        name, form = source.removeprefix("device:"), _DEVICE_FORMATS.get(sys.platform)
    options = {"fflags": "nobuffer", "rtsp_transport": "tcp"} if form is None else {}
    try:
        container = av.open(name, mode="r", format=form, options=options, timeout=(_OPEN_S, _READ_S))
    except (av.FFmpegError, OSError, ValueError) as error:
        raise BadInput(f"{source}: cannot be opened ({error})") from error
    with container:
        yield from decoded(container, Path(source), patience)


def want_local(address: str) -> None:
    """Raises BadInput where an address is not of this computer or of the local network."""
    host = urlsplit(address).hostname or ""
    if host == "localhost" or host.endswith(".local"):
        return
    try:
        where = ipaddress.ip_address(host)
    except ValueError:
        where = None
    if where is None or not (where.is_private or where.is_loopback or where.is_link_local):
        raise BadInput(
            f"{address}: want a camera of this computer or the local network, given by number "
            f"(192.168.…), got the host {host or 'none'!r}"
        )


class Reader(Thread):
    """Reads one source in a thread of its own and keeps the next picture ready.

    From live footage only the newest is kept, so that whoever looks is never behind; from finished footage none
    is lost. ended: nothing more will come. fault: why, where that was an error.
    """

    def __init__(self, source: str, patience: Patience) -> None:
        super().__init__(daemon=True, name=f"reader of {source}")
        self._source, self._patience = source, patience
        self._changed = Condition()
        self._next: Arrival | None = None
        self.skipped = 0
        self.fault: CourtplumbError | None = None
        self._done = False

    @property
    def ended(self) -> bool:
        """True once the source is at its end and its last picture was taken."""
        with self._changed:
            return self._done and self._next is None

    def run(self) -> None:
        """Reads until the source ends or patience.stopped()."""
        try:
            for arrival in arrivals(self._source, self._patience):
                if not self._put(arrival):
                    return
        except CourtplumbError as error:
            self.fault = error
        finally:
            with self._changed:
                self._done = True
                self._changed.notify_all()

    def take(self) -> Arrival | None:
        """The next picture, or None where none has come."""
        with self._changed:
            arrival, self._next = self._next, None
            self._changed.notify_all()
            return arrival

    def _put(self, arrival: Arrival) -> bool:
        with self._changed:
            while self._next is not None and not arrival.live:
                if self._patience.stopped():
                    return False
                self._changed.wait(0.1)
            self.skipped += self._next is not None
            self._next = arrival
            return True
