"""The house: a room imports only from rooms on its left, no circles."""

import ast
from pathlib import Path

import pytest

import truechange

HOUSE = Path(truechange.__file__).parent
ORDER = ["foundation", "numerics", "measures", "records", "reliability", "meaningful_change", "individual",
         "responders", "programme", "planning", "figures", "reporting", "validation", "page", "cli"]  # fmt: skip
FILES = sorted(path for path in HOUSE.rglob("*.py") if path.parent != HOUSE)


def _modules_imported(path: Path) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} uses a relative import"
            found.append(node.module or "")
            found += [f"{node.module}.{alias.name}" for alias in node.names]
    return [name for name in found if name.startswith("truechange.")]


def test_every_folder_is_a_room():
    folders = {path.name for path in HOUSE.iterdir() if path.is_dir() and path.name[0] not in "._"}
    assert folders == set(ORDER)


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(HOUSE)))
def test_imports_only_look_back(path):
    here = ORDER.index(path.relative_to(HOUSE).parts[0])
    ahead = {
        name.split(".")[1]
        for name in _modules_imported(path)
        if name.split(".")[1] in ORDER and ORDER.index(name.split(".")[1]) > here
    }
    assert not ahead, f"{path.name} imports from later rooms: {sorted(ahead)}"


@pytest.mark.parametrize("room", ORDER)
def test_no_circle_inside_a_room(room):
    files = {p.stem: p for p in (HOUSE / room).glob("*.py")}
    links = {
        stem: {
            name.split(".")[2]
            for name in _modules_imported(path)
            if name.count(".") >= 2 and name.split(".")[1] == room and name.split(".")[2] in files
        }
        - {stem}
        for stem, path in files.items()
        if stem != "__init__"
    }
    done: set[str] = set()
    while ready := {stem for stem in links if stem not in done and links[stem] <= done}:
        done |= ready
    assert done == set(links), f"circle in {room}: {sorted(set(links) - done)}"


@pytest.mark.parametrize("name", truechange.__all__)
def test_public_names_load(name):
    assert getattr(truechange, name) is not None


def test_no_public_function_shares_its_name_with_a_room():
    assert not set(ORDER) & set(truechange.__all__)
