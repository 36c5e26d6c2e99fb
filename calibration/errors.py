"""Every error raised on purpose.

    CourtplumbError
    ├── BadInput (also ValueError)   the caller can fix it; the message says wanted, got, where
    │   └── FrameMismatch            two values live in different frames
    └── NotMeasurable                the input is well formed, but what was asked cannot be told from it

The command line turns BadInput and NotMeasurable into exit code 2 and prints only their message.
"""

from __future__ import annotations


class CourtplumbError(Exception):
    """Root of every error raised on purpose."""


class BadInput(CourtplumbError, ValueError):
    """The input is at fault and the message says how to mend it."""


class FrameMismatch(BadInput):
    """Two values live in different coordinate frames."""


class NotMeasurable(CourtplumbError):
    """Well-formed input from which the asked-for result cannot be told, with the reason."""
