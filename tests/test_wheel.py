"""The wheel holds all it needs: it works with the source tree gone."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import sidekeep

ROOT = Path(__file__).parent.parent


@pytest.mark.slow
def test_the_wheel_works_without_the_source(tmp_path: Path) -> None:
    source = tmp_path / "source"
    source.mkdir()
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source / name)
    shutil.copytree(ROOT / "src", source / "src", ignore=shutil.ignore_patterns("*.egg-info", "__pycache__"))
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
    subprocess.run(
        [*pip, "wheel", "--no-deps", "--no-build-isolation", "--wheel-dir", str(tmp_path), str(source)],
        check=True,
    )
    (wheel,) = tmp_path.glob("*.whl")
    shutil.rmtree(source)
    site = tmp_path / "site"
    subprocess.run(
        [*pip, "install", "--no-deps", "--no-index", "--target", str(site), str(wheel)], check=True
    )
    packed = {
        path.relative_to(site / "sidekeep") for path in (site / "sidekeep").rglob("*") if path.is_file()
    }
    own = Path(sidekeep.__file__).parent
    wanted = {
        path.relative_to(own) for path in own.rglob("*") if path.is_file() and "__pycache__" not in path.parts
    }
    assert wanted - packed == set()
    environment = {**os.environ, "PYTHONPATH": str(site)}
    told = subprocess.run(
        [sys.executable, "-c", "import sidekeep.cli.main as m; print(m.__file__); m.main(['--version'])"],
        env=environment,
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split("\n")
    assert Path(told[0]).is_relative_to(site)
    assert told[1] == f"sidekeep {sidekeep.__version__}"
