"""The rooms of the house: imports only go down, and none of them goes in a circle."""

import ast
from collections.abc import Iterator
from pathlib import Path

import master_check

HOUSE = Path(master_check.__file__).parent

FLOORS = (
    ("cli",),
    ("page",),
    ("report",),
    ("selftest",),
    ("stem",),
    ("balance",),
    ("albums", "catalogues", "limiting"),
    ("delivery", "rehearsal"),
    ("pair",),
    ("alignment",),
    ("judgement",),
    ("measurement",),
    ("provenance",),
    ("meters", "rendering"),
    ("sound",),
    ("tables",),
    ("cores", "decibels", "jit", "output", "text"),
)
"""From the top floor down. A room may import from rooms on lower floors, and from itself."""

FACE = ("__init__", "__main__")
"""These stand in front of the house."""


def imported(path: Path) -> Iterator[str]:
    """Modules of the project that a file imports, at its head or inside functions, by full name."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{path}: relative import"
            yield str(node.module)
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def room(name: str) -> str:
    return name.split(".")[1]


def files() -> Iterator[tuple[str, Path]]:
    for path in sorted(HOUSE.rglob("*.py")):
        name = ".".join(path.relative_to(HOUSE.parent).with_suffix("").parts)
        if room(name) not in FACE:
            yield name.removesuffix(".__init__"), path


def test_every_room_is_on_a_floor() -> None:
    assert {room(name) for name, _ in files()} <= {room for floor in FLOORS for room in floor}


def test_imports_only_go_down() -> None:
    floor = {room: height for height, rooms in enumerate(reversed(FLOORS)) for room in rooms}
    up = [
        f"{name} imports {other}"
        for name, path in files()
        for other in imported(path)
        if other.startswith("master_check.")
        and room(other) != "__version__"
        and room(other) != room(name)
        and floor[room(other)] >= floor[room(name)]
    ]
    assert up == []


def test_no_circles_inside_a_room() -> None:
    names = {name for name, _ in files()}
    arrows = {name: {other for other in imported(path) if other in names and other != name} for name, path in files()}
    while arrows:
        lowest = {name for name, others in arrows.items() if not others & arrows.keys()}
        assert lowest, f"these import each other: {sorted(arrows)}"
        arrows = {name: others for name, others in arrows.items() if name not in lowest}
