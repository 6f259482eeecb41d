"""Imports go down the floors, and the runner meets the analysis through entry points only."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "geotools"
FLOORS = (
    ("units", "errors", "design", "findings", "signature"),
    ("crs", "sources", "layers", "rasters", "vegetation", "windows"),
    (
        "reach", "alignment", "closure", "separation", "habitat", "exposure", "takeoff", "pricing", "standards",
        "inspection", "existing", "specs",
    ),
    ("outputs", "engines"),
    ("steps", "pipeline"),
    ("serving", "viewing"),
    ("cli",),
)  # fmt: skip
FLOOR_OF = {name: number for number, names in enumerate(FLOORS, start=1) for name in names}
ANALYSIS = 3
RUNNER = 5


def subject_of(module: Path) -> str:
    return module.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_subjects(module: Path) -> set[str]:
    tree = ast.parse(module.read_text(encoding="utf-8"))
    names = [node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    names += [alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names]
    return {name.split(".")[1] for name in names if name.startswith("geotools.")}


MODULES = sorted(path for path in PACKAGE.rglob("*.py") if path.parent != PACKAGE or path.name != "__init__.py")


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_go_down(module: Path) -> None:
    own = subject_of(module)
    floor = FLOOR_OF[own]
    for other in imported_subjects(module) - {own}:
        assert FLOOR_OF[other] <= floor, f"{own} imports {other}, which is above it"
        if floor == ANALYSIS:
            assert FLOOR_OF[other] != ANALYSIS, (
                f"{own} imports its neighbour {other}: let them meet in a table's column"
            )
        if floor >= RUNNER:
            assert FLOOR_OF[other] not in (ANALYSIS, 4), f"{own} imports {other}: reach it through its entry point"


def test_subjects_make_no_circle() -> None:
    edges = {subject: set() for subject in FLOOR_OF}
    for module in MODULES:
        edges[subject_of(module)] |= imported_subjects(module) - {subject_of(module)}
    done: set[str] = set()

    def visit(subject: str, path: tuple[str, ...]) -> None:
        assert subject not in path, f"a circle of imports: {' -> '.join([*path, subject])}"
        if subject not in done:
            for other in edges[subject]:
                visit(other, (*path, subject))
            done.add(subject)

    for subject in edges:
        visit(subject, ())


def test_no_module_is_a_bag() -> None:
    assert not {path.stem for path in MODULES} & {"utils", "helpers", "manager", "common", "misc"}


def test_every_module_says_its_subject_in_one_sentence() -> None:
    for path in MODULES:
        text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
        assert text.endswith("."), path
        assert "\n\n" not in text, f"{path}: the module's docstring is more than one sentence"
