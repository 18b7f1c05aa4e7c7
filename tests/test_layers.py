"""The house: imports only go down its rows, and the public face is what it says."""

import ast
from pathlib import Path

import pytest

import planner

ROOT = Path(planner.__file__).parent

# From the top; rooms on one row do not know each other.
ROWS = (
    ("planner", "planner.__main__"),
    ("planner.cli",),
    ("planner.why",),
    ("planner.files",),
    ("planner.survey",),
    ("planner.assessment",),
    ("planner.flight", "planner.forecast", "planner.safety", "planner.costing"),
    ("planner.ranging",),
    ("planner.ground",),
    ("planner.mission",),
    ("planner.requirement", "planner.articles"),
    ("planner.wording", "planner.surveyrules"),
    (
        "planner.cover",
        "planner.aircraft",
        "planner.navigation",
        "planner.doubts",
        "planner.facechoice",
        "planner.hazards",
        "planner.window",
        "planner.marks",
        "planner.rates",
        "planner.rulechoice",
        "planner.ruleprofiles",
    ),
    ("planner.equipment",),
    ("planner.errors",),
)
LEVEL = {room: level for level, row in enumerate(ROWS) for room in row}
MODULES = sorted(ROOT.rglob("*.py"))


def name_of(path):
    parts = path.relative_to(ROOT.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def room_of(module):
    """Return the room a module lives in: its first two names."""
    return ".".join(module.split(".")[:2])


def imports_of(path):
    """Return every planner module a file imports, inside functions and strings of the public face too."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}:{node.lineno} imports relatively"
            # `from planner import survey` names a module, `from planner.survey import Plan` a thing in one.
            found |= (
                {f"{node.module}.{alias.name}" for alias in node.names} if node.module == "planner" else {node.module}
            )
    return {module for module in found if module.split(".")[0] == "planner"}


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_imports_only_go_down(path):
    here = room_of(name_of(path))
    assert here in LEVEL, f"{here} has no row"
    for module in imports_of(path):
        room = room_of(module)
        assert room in LEVEL, f"{name_of(path)} imports {module}, which has no row"
        assert room == here or LEVEL[room] > LEVEL[here], f"{name_of(path)} imports {module}: up or sideways"


def test_a_room_holds_no_deeper_rooms():
    deep = [path for path in MODULES if len(path.relative_to(ROOT).parts) > 2]
    assert not deep


def test_no_module_imports_itself_through_others():
    graph = {name_of(path): imports_of(path) for path in MODULES}
    done, open_ = set(), []

    def visit(module):
        if module in open_:
            pytest.fail("circle: " + " > ".join([*open_[open_.index(module) :], module]))
        if module in done or module not in graph:
            return
        open_.append(module)
        for other in sorted(graph[module]):
            visit(other)
        open_.pop()
        done.add(module)

    for module in sorted(graph):
        visit(module)


def test_modules_stay_readable():
    for path in MODULES:
        lines = path.read_text(encoding="utf-8").splitlines()
        assert len(lines) <= 400, f"{path.name} has {len(lines)} lines"


def test_the_public_face_is_flat_complete_and_sorted():
    names = list(planner.__all__)
    assert names == sorted(names, key=lambda name: (not name.isupper(), name[0].islower(), name))
    for name in names:
        assert getattr(planner, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = planner.nothing
