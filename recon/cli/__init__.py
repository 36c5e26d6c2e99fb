"""The command `courtplumb`. The only package that prints and exits.

Exit codes: 0 done, 2 the input is at fault and the message says how, 3 measured but below the quality gate.
"""

from __future__ import annotations

import sys

from calibration.errors import CourtplumbError
from recon.cli import (  # noqa: F401  # importing them adds their commands
    assets,
    boards,
    footage_check,
    guide,
    lengths,
    long,
    new_day,
    placement,
    plans,
    rigs,
    series,
    serves,
    tape,
)
from recon.cli.app import ERR, app

__all__ = ["app", "main"]


def main() -> None:
    """Run the command line; errors made on purpose become one line and exit code 2."""
    try:
        app()
    except CourtplumbError as error:
        ERR.print(f"courtplumb: {error}", soft_wrap=True, markup=False)
        sys.exit(2)
    except KeyboardInterrupt:
        ERR.print(
            "courtplumb: interrupted; finished parts are kept, the same command goes on from there",
            soft_wrap=True,
        )
        sys.exit(130)
