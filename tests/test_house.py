"""The house rules that a machine can hold: lint, format, types, imports, and files opened in one place only."""

import ast
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "pipeline" / "heatwake"

# Calls that touch the disk: by name, or by the last attribute.
OPENERS = {
    *("open", "open_dataset", "read_csv", "read_text", "read_bytes", "write_text", "write_bytes", "imread", "imwrite"),
    *("imwritemulti", "memmap", "save", "savez", "savefig", "to_netcdf", "to_csv", "mkdir", "unlink"),
    *("TiffFile", "TiffWriter", "rmtree"),
}
FILE_FOLDERS = {PACKAGE / "store"}
FILE_MODULES = {
    PACKAGE / "scene" / "session_files.py"
}  # the scene writes recordings, for it stands apart from the store


def tool(*arguments: str) -> None:
    done = subprocess.run(arguments, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{' '.join(arguments)}\n{done.stdout}\n{done.stderr}"


def executable(name: str) -> str:
    beside = Path(sys.executable).with_name(name)
    return str(beside) if beside.exists() else shutil.which(name) or name


@pytest.mark.parametrize("arguments", [("check", "."), ("format", "--check", ".")], ids=["lint", "format"])
def test_ruff(arguments):
    tool(executable("ruff"), *arguments)


def test_types():
    tool(sys.executable, "-m", "mypy")


def test_imports_point_one_way():
    tool(executable("lint-imports"))


def disk_calls(path: Path) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(path.read_text())):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "attr", getattr(node.func, "id", ""))
        if getattr(getattr(node.func, "value", None), "id", "") == "results":
            continue  # the store's own functions
        keeps_in_memory = name == "savefig" and node.args and isinstance(node.args[0], ast.Name)
        if name in OPENERS and not keeps_in_memory:
            found.append(f"{path.relative_to(ROOT)}:{node.lineno}: {name}")
    return found


def test_files_are_opened_in_the_store_alone():
    modules = [
        path for path in PACKAGE.rglob("*.py") if path not in FILE_MODULES and not FILE_FOLDERS & set(path.parents)
    ]
    assert len(modules) > 20
    assert [call for path in modules for call in disk_calls(path)] == []


def test_the_disk_rule_can_fail():
    assert disk_calls(PACKAGE / "store" / "results.py") != []
