"""Layers: imports run one way, and nothing heavy is loaded before it is needed."""

import ast
import graphlib
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1] / "defectscan"

# What each part may import, of the package itself.
ALLOWED = {
    "errors": set(),
    "flags": set(),
    "version": set(),
    "output": {"errors"},
    "simulation": {"errors", "output", "simulation"},
    "imaging": {"errors", "flags", "imaging"},
    "measurement": {"errors", "flags", "imaging", "measurement"},
}
FORBIDDEN = {
    "report": {"cli", "simulation"},
    "pipeline": {"cli", "report", "simulation"},
    "split": {"cli", "report", "simulation"},
}
HEAVY = ("cv2", "fpdf", "jinja2", "matplotlib", "numpy", "PIL", "scipy", "skimage", "sqlalchemy")


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


SOURCES = {module_of(path): path for path in sorted(ROOT.rglob("*.py"))}


def imports_of(module: str, *, at_top_only: bool = False) -> set[str]:
    """Return the package's modules that a module imports, inside functions too."""
    tree = ast.parse(SOURCES[module].read_text(encoding="utf-8"))
    nodes = tree.body if at_top_only else ast.walk(tree)
    found: set[str] = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: imports are absolute"
            found.add(node.module or "")
            # A module may be what is imported: from defectscan import pipeline.
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return {name for name in found if name in SOURCES and name != "defectscan"} - {module}


def part_of(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


@pytest.mark.parametrize("part", ALLOWED)
def test_a_part_imports_only_what_it_may(part: str) -> None:
    mine = [module for module in SOURCES if part_of(module) == part]
    assert mine
    for module in mine:
        found = {part_of(name) for name in imports_of(module)}
        assert found <= ALLOWED[part], f"{module} imports {found - ALLOWED[part]}"


@pytest.mark.parametrize("part", FORBIDDEN)
def test_a_part_imports_nothing_that_stands_above_it(part: str) -> None:
    mine = [module for module in SOURCES if part_of(module) == part]
    assert mine
    for module in mine:
        found = {part_of(name) for name in imports_of(module)}
        assert not found & FORBIDDEN[part], f"{module} imports {found & FORBIDDEN[part]}"


def test_the_optics_of_simulation_and_measurement_share_nothing() -> None:
    for module in SOURCES:
        if part_of(module) not in {"simulation", "cli"}:
            found = {part_of(name) for name in imports_of(module)}
            assert "simulation" not in found, module


def test_only_the_commands_import_the_commands() -> None:
    for module in SOURCES:
        if part_of(module) not in {"cli", "__main__"}:
            assert "cli" not in {part_of(name) for name in imports_of(module)}, module


def test_imports_at_the_top_go_round_in_no_circle() -> None:
    graph = {module: imports_of(module, at_top_only=True) for module in SOURCES}
    assert any(graph.values())
    assert list(graphlib.TopologicalSorter(graph).static_order())


def loaded_by(*modules: str) -> set[str]:
    """Return the names of all modules that are there once some are imported."""
    names = ", ".join(modules)
    code = f"import sys, {names}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize("module", ["defectscan", "defectscan.cli.main"])
def test_nothing_heavy_is_loaded_at_import(module: str) -> None:
    loaded = loaded_by(module)
    assert module in loaded
    assert not set(HEAVY) & loaded


def test_what_compares_two_photos_loads_no_scipy() -> None:
    # It takes longer than a tenth of all that comparing takes; parts load as they are used.
    loaded = loaded_by(
        "defectscan.pipeline", "defectscan.report.assemble", "defectscan.report.html"
    )
    assert {"defectscan.measurement.lines", "cv2"} <= loaded
    assert not {"scipy.special", "scipy.spatial", "scipy.sparse", "skimage"} & loaded


def test_what_a_page_is_made_of_loads_no_arrays() -> None:
    loaded = loaded_by("defectscan.report.page", "defectscan.report.content")
    assert not set(HEAVY) & loaded
