"""The layout holds: imports point down, heavy libraries have one door, files stay short, the public is documented."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import fieldscore

ROOT = Path(fieldscore.__file__).parent
# From the ground up; a module may import from lower layers and, within a package, from its own.
LAYERS = (
    {"errors", "tasks", "confine", "leftovers", "units", "stats", "compare_times", "intervals", "running"},
    {"criteria", "colour", "workers", "ahead", "spool", "farther", "still_dark"},
    {"other_curves"},
    {"frame"},
    {"measure"},
    {"timeline"},
    {"record"},
    {"likeness", "warping", "moved", "bands", "lamp_shape", "sun_light"},
    {"video", "signs", "levels", "overlay", "motion", "following", "glow", "shading", "plane_fit", "link_fit", "waves"},
    {"residual", "noise_left", "ground", "link_key"},
    {"noise", "picture", "links", "places"},
    {"exposure_trace"},
    {"measures", "collect", "screens", "simulate", "hunting", "lamp_passes", "sun", "sequence"},
    {"lamp_tracks", "readable_rows", "parts", "crossing", "torn"},
    {"events", "airtime", "pulsed"},
    {"flashes"},
    {"gather"},
    {"analyse", "recovery", "align"},
    {"scorecard"},
    {"brightness", "causes"},
    {"score"},
    {"comparison"},
    {"pairing"},
    {"fairness"},
    {"compare_judge"},
    {"compare_events"},
    {"compare"},
    {"showing"},
    {"plots"},
    {"report"},
    {"run", "sidebyside"},
    {"split"},
    {"inspection", "run_recovery", "run_compare"},
    {"cli"},
    {"__main__"},
)
DOORS = {"av": {"video"}, "matplotlib": {"plots"}, "click": {"cli"}, "rich": {"cli"}, "jinja2": {"report"}}
SIMULATE_MAY = {"simulate", "video", "units", "errors"}
MOST_LINES = 400


def _modules() -> Iterator[tuple[str, Path, ast.Module]]:
    for path in sorted(ROOT.rglob("*.py")):
        place = path.relative_to(ROOT)
        room = place.parts[0] if len(place.parts) > 1 else place.stem
        yield room, path, ast.parse(path.read_text(encoding="utf-8"))


def _imports(tree: ast.Module) -> Iterator[str]:
    """Every module named in an import, at the top or inside a function."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            if node.module == "fieldscore":
                yield from (f"fieldscore.{alias.name}" for alias in node.names)
            else:
                yield node.module


def _layer(room: str) -> int:
    """The number of a room's layer; above all others where it has none, so that nothing may import it."""
    return next((number for number, rooms in enumerate(LAYERS) if room in rooms), len(LAYERS))


def _forbidden(room: str, tree: ast.Module) -> list[str]:
    """What a module of a room imports and must not."""
    wrong = []
    for name in _imports(tree):
        parts = name.split(".")
        if parts[0] != "fieldscore" or len(parts) == 1 or parts[1] in {room, "__version__"}:
            continue
        if _layer(parts[1]) >= _layer(room) or (room == "simulate" and parts[1] not in SIMULATE_MAY):
            wrong.append(name)
    return wrong


def test_every_module_has_a_layer() -> None:
    """No module stands outside the layers."""
    known = set().union(*LAYERS) | {"__init__"}
    assert {room for room, _, _ in _modules()} <= known


def test_imports_point_down() -> None:
    """A module imports from lower layers and from its own package only."""
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for room, path, tree in _modules()
        if room != "__init__"
        for name in _forbidden(room, tree)
    ]
    assert wrong == []


@pytest.mark.parametrize(
    ("room", "line", "allowed"),
    [
        ("score", "from fieldscore.events import link_lost", True),
        ("score", "from fieldscore.recovery import flash_events", True),
        ("recovery", "from fieldscore.flashes import Edge", True),
        ("report", "from fieldscore.report.words import moment", True),
        ("run", "from fieldscore import __version__", True),
        ("events", "from fieldscore.flashes import Edge", False),
        ("events", "from fieldscore.score import Score", False),
        ("events", "import fieldscore.score", False),
        ("events", "from fieldscore import score", False),
        ("frame", "def late():\n    from fieldscore.motion import shift", False),
        ("plots", "from fieldscore.report import words", False),
        ("simulate", "from fieldscore.frame import Frame", False),
        ("stats", "from fieldscore.nowhere import thing", False),
    ],
)
def test_the_rule_itself(room: str, line: str, allowed: bool) -> None:
    """An upward or sideways import is caught in every spelling, a downward one is not."""
    assert (_forbidden(room, ast.parse(line)) == []) is allowed


def test_measures_do_not_see_each_other() -> None:
    """A measure's module imports no other measure's."""
    for room, path, tree in _modules():
        if room == "measures" and path.name != "__init__.py":
            assert not [name for name in _imports(tree) if name.startswith("fieldscore.measures")], path.name


def test_one_door_for_each_heavy_library() -> None:
    """PyAV, matplotlib, click, rich and jinja2 are imported in one place each."""
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for room, path, tree in _modules()
        for name in _imports(tree)
        if name.split(".")[0] in DOORS and room not in DOORS[name.split(".")[0]]
    ]
    assert wrong == []


def test_only_the_command_line_prints() -> None:
    """No module calls print; cli writes through click."""
    for _, path, tree in _modules():
        calls = [
            node.func.id for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        ]
        assert "print" not in calls, path.name


def test_files_are_short() -> None:
    """No file is longer than can be read in one go."""
    long = {
        path.name: lines for _, path, _ in _modules() if (lines := path.read_text("utf-8").count("\n")) > MOST_LINES
    }
    assert long == {}


def test_the_public_is_documented() -> None:
    """Every module, public class, function and method says what it is."""
    silent = []
    for _, path, tree in _modules():
        bodies = [(path.stem, tree)] + [(node.name, node) for node in ast.walk(tree) if isinstance(node, ast.ClassDef)]
        for name, body in bodies:
            if not name.startswith("_") and not ast.get_docstring(body):
                silent.append(f"{path.name}: {name}")
            for node in body.body:
                if isinstance(node, ast.FunctionDef) and not node.name.startswith("_") and not ast.get_docstring(node):
                    silent.append(f"{path.name}: {node.name}")
    assert silent == []
