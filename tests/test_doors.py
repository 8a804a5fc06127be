"""The doors in ``pyproject.toml`` are shut: an import that they forbid breaks the contract."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = (
    "daemon/dustcake",
    "daemon/dustcake_lab",
    "simulator/dustcake_sim",
    "simulator/dustcake_loop",
)
BROKEN = " BROKEN"


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sources alone, where they may be spoilt."""
    folder = tmp_path_factory.mktemp("doors")
    shutil.copy(ROOT / "pyproject.toml", folder)
    for package in PACKAGES:
        shutil.copytree(
            ROOT / package, folder / package, ignore=shutil.ignore_patterns("__pycache__")
        )
    return folder


def broken(folder: Path) -> list[str]:
    """The names of the contracts that do not hold there."""
    done = subprocess.run(
        ["lint-imports", "--no-cache"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": "daemon:simulator", "COLUMNS": "200"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert "Contracts:" in done.stdout, done.stdout + done.stderr
    names = [line.removesuffix(BROKEN) for line in done.stdout.splitlines() if BROKEN in line]
    assert done.returncode == bool(names), done.stdout
    return names


@pytest.mark.parametrize(
    ("module", "line", "contract"),
    [
        ("dustcake/adapters/metrics.py", "import pymodbus", "Modbus: only its adapter"),
        ("dustcake/runtime/engine.py", "import aiomqtt", "MQTT: only its adapter"),
        ("dustcake/runtime/engine.py", "import sqlite3", "SQLite: only the journal"),
        ("dustcake/publish/render.py", "import time", "Pure: core and publish"),
        ("dustcake/core/step.py", "import dustcake.publish.render", "Layers of the controller"),
        ("dustcake/cli/check.py", "import dustcake_lab.replay", "The lab imports the controller"),
    ],
)
@pytest.mark.patience(300, "all imports are read anew")
def test_a_forbidden_import_breaks_its_contract(
    copy: Path, module: str, line: str, contract: str
) -> None:
    file = copy / "daemon" / module
    kept = file.read_text(encoding="utf-8")
    file.write_text(f"{kept}\n{line}\n", encoding="utf-8")
    try:
        assert any(name.startswith(contract) for name in broken(copy))
    finally:
        file.write_text(kept, encoding="utf-8")


@pytest.mark.patience(300, "all imports are read anew")
def test_without_one_every_contract_holds(copy: Path) -> None:
    assert broken(copy) == []
