"""Which file may import which: the floors of the design, section 3, over the syntax tree.

A file may import lower floors, or files of its own floor and folder without a
circle. Imports inside functions count as much as those at the top.
"""

import ast
import graphlib
from pathlib import Path

import pytest

import evalkit

ROOT = Path(evalkit.__file__).parent

# Lowest first. A package is one entry: its files are on one floor.
STOREYS = (
    {"errors", "names", "durable", "spreadsheet", "_kernels", "_circuit_kernels"},
    # Audio, the board's values, statistics and preferred values: from files or arrays alone.
    {"recordings", "faults", "board", "board_file", "board_faults", "built"}
    | {"intervals", "paired", "proportions", "quantiles", "rates", "roc"}
    | {"quantities", "standard_values", "knobs", "sinefit", "calibration"}
    | {"pyramid", "shelf"}
    | {"archive", "bags", "licences", "lossless", "lowpass", "riff"},
    {"speech"} | {"spans", "segments", "crossings", "drawn_levels"},
    {
        "origin",
        "entries",
        "package_text",
        "descriptor",
        "day",
        "dataset",
        "labelling",
        "calibrating",
        "checking",
    }
    | {"edits", "journal", "merging", "keeping"}
    | {"marks", "wave_cues", "webvtt", "interchange"}
    | {"detectors", "cache"},
    {"matching", "scoring", "planes", "tracing", "box_trace", "proposals", "suggestions"}
    | {"folds", "pooling", "streams", "training", "workers"},
    {"choice", "tolerances", "figures", "recommendation", "curves", "holding", "parts", "settings"}
    | {"readings", "standins", "whatif"}
    | {"chance", "comparison", "documents", "evidence", "failures", "planning"}
    | {"agreement", "clips", "pack_plan", "packs", "pack_reading", "pack_merging", "unpacking"},
    {"report"},
    # The command `demo` calls what is in demo/, so the design's top floor is two.
    {"demo", "editor"},
    {"cli"},
    {"__main__"},
)
FLOORS = {name: floor for floor, names in enumerate(STOREYS) for name in names}


def modules() -> dict[str, Path]:
    """Return every module of the package by its dotted name below the package."""
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        if name:
            found[name] = path
    return found


MODULES = modules()


def imports_of(name: str) -> set[str]:
    """Return the modules of the package that a module imports, anywhere in it."""
    return imports_in(MODULES[name].read_text(encoding="utf-8"), name)


def imports_in(source: str, name: str) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name}: line {node.lineno}: relative import"
            if node.module == "evalkit":
                found |= {alias.name for alias in node.names}
            elif node.module is not None and node.module.startswith("evalkit."):
                inner = node.module.removeprefix("evalkit.")
                submodules = {f"{inner}.{alias.name}" for alias in node.names} & set(MODULES)
                found |= submodules or {inner}
        elif isinstance(node, ast.Import):
            found |= {
                alias.name.removeprefix("evalkit.")
                for alias in node.names
                if alias.name.startswith("evalkit.")
            }
    return {each for each in found if each in MODULES}


def floor_of(name: str) -> int:
    return FLOORS[name.partition(".")[0]]


def folder_of(name: str) -> str:
    """Return the folder that a file lies in; a package's own file lies in it."""
    is_package = MODULES[name].name == "__init__.py"
    return name if is_package else name.rpartition(".")[0]


@pytest.mark.parametrize("name", MODULES)
def test_every_file_has_a_floor(name: str) -> None:
    assert name.partition(".")[0] in FLOORS, f"{name} has no floor: put it into the table of this test"


@pytest.mark.parametrize("name", MODULES)
def test_imports_go_down_or_stay_in_the_folder(name: str) -> None:
    for other in imports_of(name):
        same_folder = folder_of(name) == folder_of(other) and floor_of(name) == floor_of(other)
        assert floor_of(other) < floor_of(name) or same_folder, (
            f"{name} (floor {floor_of(name)}) imports {other} (floor {floor_of(other)})"
        )


def test_there_is_no_circle() -> None:
    # static_order raises CycleError, which names the files of the circle.
    order = list(graphlib.TopologicalSorter({name: imports_of(name) for name in MODULES}).static_order())
    assert set(order) == set(MODULES)


def test_imports_are_seen_wherever_they_are() -> None:
    """The check itself: it must not pass because it sees nothing."""
    source = "def f():\n  if 1:\n    from evalkit.dataset import read_dataset\n    import evalkit.segments\n"
    assert imports_in(source, "x") == {"dataset", "segments"}
    assert imports_in("from evalkit import cli\nfrom evalkit.cli import data\n", "x") == {"cli", "cli.data"}
    assert "dataset" in imports_of("checking")


def test_the_package_itself_imports_nothing() -> None:
    tree = ast.parse((ROOT / "__init__.py").read_text(encoding="utf-8"))
    assert not [node for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom)]
