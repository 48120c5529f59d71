"""Who may know whom? The edge stays light, and the pipeline's rooms look one way."""

import ast
import importlib.metadata
import re
import subprocess
import sys
from pathlib import Path

import pytest

import edge
import pipeline

HEAVY = {
    *("pipeline", "numpy", "cv2", "skimage", "pyarrow", "deltalake", "duckdb", "matplotlib", "pandas"),
    *("amqtt", "PIL", "scipy", "cryptography", "pymodbus", "serial"),
}

# room -> rooms it may import from; edge and a room itself always may be. What stands beside the rooms, in the
# package's own folder, is told in the same way by its file's name.
MAY = {
    "derive": set(),
    "judge": {"derive", "tables", "settings", "corrections"},
    "land": {"history", "tables", "gaugefile"},
    "join": {"history", "tables", "settings", "corrections"},
    "show": {"join", "seal", "chain", "limits_in_force", "history", "tables", "settings", "corrections"},
    "guard": set(),
    "history": {"tables", "mend", "seal", "chain", "crowded"},
    "crowded": set(),
    "chain": set(),
    "limits_in_force": {"settings"},
    "backup": {"chain", "history", "seal", "tables"},
    "retention": {"history"},
    "unchanged": {"derive"},
    "doctor": {"backup", "history", "settings", "behind", "tables"},
    "mend": set(),
    "seal": set(),
    "tables": set(),
    "settings": {"derive"},
    "corrections": set(),
    "gaugefile": {"derive"},
    "scatter": {"advance", "history", "settings"},
    "cure": {"derive", "history", "tables", "settings", "corrections"},
}


def imported(file):
    """Names of the modules a file imports, wherever in it."""
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file} imports relatively"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def rooms():
    folder = Path(pipeline.__file__).parent
    for file in sorted(folder.rglob("*.py")):
        yield file.relative_to(folder).parts[0].removesuffix(".py"), file


def test_the_edge_imports_nothing_heavy():
    script = "import sys, edge.cli; print(*{name.split('.')[0] for name in sys.modules})"
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert HEAVY.isdisjoint(run.stdout.split())


def test_no_file_of_the_edge_imports_more_than_its_own_dependencies():
    light = set(sys.stdlib_module_names) | {"edge", "msgspec", "paho", "rich", "typer", "tzdata"}
    light |= {"pymodbus", "cv2"}  # asked for where a device is polled, or a camera takes a photograph
    for file in Path(edge.__file__).parent.rglob("*.py"):
        assert {name.split(".")[0] for name in imported(file)} <= light, file


@pytest.mark.parametrize("room", sorted(MAY))
def test_a_room_looks_one_way(room):
    files = [file for here, file in rooms() if here == room]
    assert files, f"there is no pipeline/{room}"
    for file in files:
        for name in imported(file):
            if name.startswith("pipeline."):
                assert name.split(".")[1] in MAY[room] | {room}, f"{file} imports {name}"


def test_the_check_can_see_a_wrong_direction(tmp_path):
    file = tmp_path / "score.py"
    file.write_text("def f():\n    from pipeline.history import History\n")
    assert "pipeline.history.History" in set(imported(file))


def test_the_command_line_starts_without_the_heavy_libraries():
    script = "import sys, pipeline.cli; print(*{name.split('.')[0] for name in sys.modules})"
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert (HEAVY - {"pipeline"}).isdisjoint(run.stdout.split())


def test_the_base_installation_asks_for_nothing_heavy():
    base = {
        re.split(r"[ <>=!~;\[]", line, maxsplit=1)[0].lower()
        for line in importlib.metadata.requires("beadbook") or ()
        if "extra ==" not in line
    }
    assert base == {"msgspec", "paho-mqtt", "rich", "typer", "tzdata"}
