"""The rooms import only rightwards: web > documents, imports, reports > billing > tickets > charges > orders > shop > science."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent / "kilnshop"
RANK = {
    "science": 0, "shop": 1, "orders": 2, "charges": 3, "tickets": 4, "billing": 5,
    "documents": 6, "imports": 6, "reports": 6, "web": 7,
}  # fmt: skip
PURE = {"django", "pandas", "kilnshop.settings"}


def imported(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: write the whole name of what is imported"
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def files(room: str) -> list[Path]:
    return [path for path in (ROOT / room).rglob("*.py") if "migrations" not in path.parts]


@pytest.mark.parametrize("room", RANK)
def test_room_imports_only_rooms_below_it(room):
    found = files(room)
    assert found, f"room {room} is empty"
    for path in found:
        for name in imported(path):
            parts = name.split(".")
            if parts[0] == "kilnshop" and len(parts) > 1 and parts[1] in RANK:
                below = RANK[parts[1]] < RANK[room] or parts[1] == room
                assert below, f"{path.relative_to(ROOT)} in room {room} imports {name}"


def test_science_is_pure():
    for path in files("science"):
        for name in imported(path):
            assert not any(name == bad or name.startswith(f"{bad}.") for bad in PURE), (
                f"{path} imports {name}"
            )


def test_psychrolib_has_one_door():
    doors = {path.name for room in RANK for path in files(room) if "psychrolib" in imported(path)}
    assert doors == {"psychro.py"}


def test_only_settings_reads_the_environment():
    readers = {
        str(path.relative_to(ROOT)) for path in ROOT.rglob("*.py")
        if "os.environ.get" in path.read_text() or "os.getenv" in path.read_text()
    }  # fmt: skip
    assert readers == {"settings.py"}
