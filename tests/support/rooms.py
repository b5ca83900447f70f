"""Count the rooms, their lines, and the pairs of rooms of which one imports the other.

A room is a file or folder directly in ``meterlink/``, or one of the packages beside it. Imports under TYPE_CHECKING
count. Run: ``python tests/support/rooms.py [--pairs]``. Exit status 1 if two rooms import each other in a circle.
"""

import sys
from collections import Counter, defaultdict
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import grimp

ROOT = Path(__file__).parents[2]
PACKAGES = {
    "meterlink": ROOT / "meterlink",
    "meterlink_drivers": ROOT / "drivers" / "meterlink_drivers",
    "meterlink_tui": ROOT / "tui" / "meterlink_tui",
    "meterlink_simulators": ROOT / "simulators" / "meterlink_simulators",
}


def room_of(module: str) -> str:
    """Return the room of a dotted module name; the root package ``meterlink`` is a room of its own."""
    package, *inner = module.split(".")
    return f"{package}.{inner[0]}" if package == "meterlink" and inner else package


def room_imports() -> dict[tuple[str, str], list[tuple[str, str]]]:
    """Return for each pair (importing room, imported room) the pairs (importing module, imported module)."""
    graph = grimp.build_graph(*PACKAGES, exclude_type_checking_imports=False, cache_dir=None)
    pairs: dict[tuple[str, str], list[tuple[str, str]]] = defaultdict(list)
    for importer in sorted(graph.modules):
        for imported in sorted(graph.find_modules_directly_imported_by(importer)):
            pair = room_of(importer), room_of(imported)
            if pair[0] != pair[1]:
                pairs[pair].append((importer, imported))
    return dict(sorted(pairs.items()))


def circle(pairs: dict[tuple[str, str], list[tuple[str, str]]]) -> list[str]:
    """Return the rooms of a circle of imports, none where there is no circle."""
    sorter: TopologicalSorter[str] = TopologicalSorter()
    for importer, imported in pairs:
        sorter.add(importer, imported)
    try:
        sorter.prepare()
    except CycleError as error:
        rooms: list[str] = error.args[1]
        return rooms
    return []


def lines_per_room() -> Counter[str]:
    """Return the number of lines of Python in each room."""
    lines: Counter[str] = Counter()
    for package, folder in PACKAGES.items():
        for path in sorted(folder.rglob("*.py")):
            module = ".".join((package, *path.relative_to(folder).with_suffix("").parts)).removesuffix(".__init__")
            lines[room_of(module)] += path.read_text(encoding="utf-8").count("\n")
    return lines


def main() -> int:
    """Print the counts."""
    pairs = room_imports()
    lines = lines_per_room()
    for room, count in sorted(lines.items()):
        imported = [other.removeprefix("meterlink.") for importer, other in pairs if importer == room]
        print(f"{room.removeprefix('meterlink.'):22}{count:7,}  imports {', '.join(imported) or 'nothing'}")
    print(f"{len(lines)} rooms, {lines.total():,} lines, {len(pairs)} pairs of rooms of which one imports the other")
    if "--pairs" in sys.argv[1:]:
        for (importing_room, imported_room), imports in pairs.items():
            print(f"{importing_room} -> {imported_room}: {len(imports)}, {' -> '.join(imports[0])}")
    if rooms := circle(pairs):
        print(f"a circle: {' -> '.join(rooms)}")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
