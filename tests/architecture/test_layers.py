"""Import directions, and who may print, exit, read clocks or draw random numbers (DEVELOPERS.md, Layers)."""

from __future__ import annotations

import ast
import textwrap
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import pytest

from tests.architecture.source_tree import ROOT, Module, imports_of, module_of, modules, read_module

# Lower layers first. A unit may import units of lower layers only; the two with the same layer never meet.
CALIBRATION_LAYERS = (
    {"errors"},
    {"checks", "provenance"},
    {"video_times", "median"},
    {"container"},
    {"geometry", "footage", "sound_track"},
    {"skim"},
    {"recorded_rate"},
    {"board", "bundle", "calibrated_rig", "picture_match"},
    {"views", "court", "start", "residuals"},
    {"holds", "view_choice"},
    {"lens", "moving"},
    {"files", "shared"},
    {"board_form", "rig_data", "pictures", "kept_lens"},
    {"folder", "history", "rig_check", "sheets", "court_rig"},
    {"rig"},
    {"own", "steps", "planning", "footage_check"},
    {"guide", "new_day", "drift"},
)
STAGES = {
    "capture",
    "keypoints",
    "sync",
    "swaps",
    "triangulate",
    "motion",
    "flight",
    "events",
    "measures",
    "quality",
    "joints",
    "windows",
}
READERS = {"viewer", "report", "export", "agreement"}
RECON_LAYERS = (
    {"records", "bands"},
    {"definitions"},
    {"wording", "store", "session", "assets", "detector_study", "resample", "curves"},
    {"body", "uncertainty", "epipolar"},
    {"ground", "smoothing", "segments", "people", "racket_points", "mass", "trunk", "foot_outline"},
    STAGES,
    {"result"},
    {"repeats", "screens"},
    {"findings"},
    {"scene"},
    {"pipeline", "planning"},
    READERS,
    {"cli"},
)
SAME_UNIT = {"instants": "triangulate"}
"""Files that belong to the stage named beside them."""


def unit(module: str) -> str:
    """The part of a package a module belongs to: 'sync' for recon.sync.clocks; '' for the package itself."""
    parts = module.split(".")
    name = parts[1] if len(parts) > 1 else ""
    return SAME_UNIT.get(name, name)


def of_package(package: str) -> list[Module]:
    return [m for m in modules().values() if m.name.split(".")[0] == package]


def inner_imports(module: Module) -> Iterator[tuple[str, int]]:
    """(module of this project, line) for each import of it."""
    for found in module.imports:
        target = module_of(found.target)
        if target is not None and target != module.name:
            yield target, found.line


def upward_imports(package: str, layers: tuple[set[str], ...], among: Iterable[Module]) -> list[str]:
    """Every import inside `package` that does not go to a lower layer."""
    rank = {name: level for level, names in enumerate(layers) for name in names}
    wrong = []
    for module in among:
        here = unit(module.name)
        for target, line in inner_imports(module):
            there = unit(target)
            if target.split(".")[0] != package or here in ("", there) or there == "":
                continue
            if rank.get(there, len(layers)) >= rank.get(here, -1):
                wrong.append(f"{module.where}:{line}: {here} imports {there}")
    return wrong


def import_cycles(among: Iterable[Module]) -> list[str]:
    """Module cycles, each as 'a -> b -> a'."""
    edges = {m.name: sorted({target for target, _ in inner_imports(m)}) for m in among}
    cycles: list[str] = []
    done: set[str] = set()

    def walk(name: str, path: list[str]) -> None:
        if name in path:
            cycles.append(" -> ".join([*path[path.index(name) :], name]))
        elif name not in done:
            for target in edges.get(name, []):
                walk(target, [*path, name])
            done.add(name)

    for name in edges:
        walk(name, [])
    return cycles


def calls(module: Module) -> Iterator[tuple[str, int]]:
    """(dotted name, line) of everything the module calls by name."""
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Call):
            yield ast.unparse(node.func), node.lineno


# -- the rules -------------------------------------------------------------------------------------------


def importers_of(package: str, allowed: Callable[[Module], bool]) -> list[str]:
    """Modules that import `package` without being allowed to."""
    return [
        f"{m.where}:{line}: imports {target}"
        for m in modules().values()
        for target, line in inner_imports(m)
        if target.split(".")[0] == package and m.name.split(".")[0] != package and not allowed(m)
    ]


def test_calibration_knows_cameras_not_people() -> None:
    assert importers_of("recon", lambda m: m.name.startswith("demo_rigs")) == []


def test_the_truth_of_the_demo_is_out_of_reach_of_stages() -> None:
    """Only the command line starts the demo; agreement and tests are handed truth as a file."""
    assert importers_of("demo_rigs", lambda m: unit(m.name) == "cli") == []


def test_recon_uses_only_public_names_of_calibration() -> None:
    wrong = [
        f"{m.where}:{found.line}: {found.target}"
        for m in of_package("recon")
        for found in m.imports
        if found.target.startswith("calibration") and any(p.startswith("_") for p in found.target.split("."))
    ]
    assert wrong == []


@pytest.mark.parametrize(("package", "layers"), [("calibration", CALIBRATION_LAYERS), ("recon", RECON_LAYERS)])
def test_every_part_has_a_layer(package: str, layers: tuple[set[str], ...]) -> None:
    known = set().union(*layers)
    unknown = {unit(m.name) for m in of_package(package)} - known - {""}
    assert not unknown, f"give these a layer in {Path(__file__).name}: {sorted(unknown)}"


@pytest.mark.parametrize(("package", "layers"), [("calibration", CALIBRATION_LAYERS), ("recon", RECON_LAYERS)])
def test_imports_go_to_lower_layers(package: str, layers: tuple[set[str], ...]) -> None:
    assert upward_imports(package, layers, of_package(package)) == []


def test_no_module_cycles() -> None:
    assert import_cycles(modules().values()) == []


def test_only_the_pipeline_joins_stages() -> None:
    """And planning, which foretells what the stages will do and so goes by their own definitions."""
    wrong = [
        f"{m.where}:{line}: {unit(m.name)} imports {target}"
        for m in of_package("recon")
        for target, line in inner_imports(m)
        if target.startswith("recon.") and unit(target) in STAGES | {"pipeline"}
        if unit(m.name) not in {"pipeline", "planning", "cli", unit(target)}
    ]
    assert wrong == []


def test_only_the_command_line_prints_and_exits() -> None:
    ends = {
        "print",
        "sys.exit",
        "exit",
        "quit",
        "os._exit",
        "sys.stdout.write",
        "sys.stderr.write",
        "rich.print",
    }
    wrong = [
        f"{m.where}:{line}: {name}"
        for m in (*of_package("calibration"), *of_package("recon"))
        if unit(m.name) != "cli"
        for name, line in calls(m)
        if name in ends
    ]
    assert wrong == []


GLOBAL_DRAWS = {
    "seed",
    "random",
    "rand",
    "randn",
    "randint",
    "normal",
    "uniform",
    "choice",
    "shuffle",
    "permutation",
}


def impure(module: Module) -> list[str]:
    """What a stage may not do: read a clock, draw from a global generator, read or write record files."""
    found = [
        f"{module.where}:{i.line}: imports {i.target}"
        for i in module.imports
        if i.target.split(".")[0] in {"random", "time", "datetime"} or i.target.startswith("recon.store")
    ]
    found += [
        f"{module.where}:{line}: {name}"
        for name, line in calls(module)
        if (name.startswith(("np.random.", "numpy.random.")) and name.split(".")[-1] in GLOBAL_DRAWS)
        or name == "open"
        or name.endswith((".write_text", ".write_bytes"))
    ]  # fmt: skip
    return found


def test_stages_use_no_clock_no_global_seed_and_no_record_files() -> None:
    pure = STAGES - {"capture"}  # capture's job is reading video
    assert [line for m in of_package("recon") if unit(m.name) in pure for line in impure(m)] == []


# -- the rules catch what they are for -------------------------------------------------------------------


def module_from(name: str, source: str) -> Module:
    """A module that is not there, for showing a rule something wrong."""
    made = ast.parse(textwrap.dedent(source))
    return Module(name, ROOT / "made_up.py", made, imports_of(made))


def test_an_upward_import_is_caught() -> None:
    bad = module_from("recon.records.bad", "from recon.store import write_json\n")
    assert upward_imports("recon", RECON_LAYERS, [bad])
    good = module_from("recon.store", "from recon.records import Measure\n")
    assert upward_imports("recon", RECON_LAYERS, [good]) == []


def test_impure_stages_are_caught() -> None:
    source = """
        import time
        import numpy as np
        from recon.store import save_points
        np.random.seed(1)
        open("x")
    """
    assert len(impure(module_from("recon.sync.bad", source))) == 4


def test_a_cycle_is_caught() -> None:
    one = module_from("recon.store", "import recon.session\n")
    two = module_from("recon.session", "import recon.store\n")
    assert import_cycles([one, two]) == ["recon.store -> recon.session -> recon.store"]


def test_reading_a_real_module_finds_its_imports() -> None:
    store = read_module(ROOT / "recon" / "store.py")
    assert "recon.records" in {target for target, _ in inner_imports(store)}
