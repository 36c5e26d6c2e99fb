"""Steps: film the variations, measure them, measure them again from kept tracks, judge."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from benchmarks.measure_coverage.footage import film, is_filmed
from benchmarks.measure_coverage.measured import measure, measure_again
from benchmarks.measure_coverage.scene import variations
from benchmarks.measure_coverage.variations import Variation
from recon.assets import body_wheel

PAGE = Path(__file__).resolve().parents[2] / "docs" / "evidence" / "measures.md"


def _say(text: str) -> None:
    print(f"{time.strftime('%H:%M:%S')} {text}", flush=True)


def _wanted(options: argparse.Namespace) -> list[Variation]:
    chosen = [v for v in variations() if not options.only or v.name in options.only.split(",")]
    return chosen[: options.first]


def _render(options: argparse.Namespace) -> None:
    wheel = body_wheel()
    for v in _wanted(options):
        begin = time.perf_counter()
        film(options.work, v, wheel, _say)
        _say(f"{v.name}: ready, {time.perf_counter() - begin:.0f} s")


def _measure(options: argparse.Namespace) -> None:
    for v in _wanted(options):
        if is_filmed(options.work, v):
            begin = time.perf_counter()
            _say(
                f"{v.name}: {measure(options.work, v, options.processes)}, {time.perf_counter() - begin:.0f} s"
            )


def _again(options: argparse.Namespace) -> None:
    for v in _wanted(options):
        if is_filmed(options.work, v):
            begin = time.perf_counter()
            _say(f"{v.name}: {measure_again(options.work, v)}, {time.perf_counter() - begin:.0f} s")


def _judge(options: argparse.Namespace) -> None:
    from benchmarks.measure_coverage.page import write_page

    write_page(options.work, _wanted(options), options, _say)


def main() -> None:
    """Parses the command line and runs one step."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.measure_coverage", description=__doc__)
    steps = {"render": _render, "measure": _measure, "again": _again, "judge": _judge}
    parser.add_argument("step", choices=steps)
    parser.add_argument("--work", type=Path, required=True, help="folder of clips, sessions and truth")
    parser.add_argument("--only", default="", help="names of variations, with commas between")
    parser.add_argument("--first", type=int, default=None, help="how many of them")
    parser.add_argument("--processes", type=int, default=1, choices=(1, 2), help="that read video")
    parser.add_argument("--demo", type=Path, default=None, help="folder of a finished demo, judged beside")
    parser.add_argument("--machine", default="", help="what it runs on, as the page shall say")
    parser.add_argument("--date", default="", help="YYYY-MM-DD, as the page shall say")
    parser.add_argument("--page", type=Path, default=PAGE, help="the page to write (default: %(default)s)")
    options = parser.parse_args()
    steps[options.step](options)


if __name__ == "__main__":
    main()
