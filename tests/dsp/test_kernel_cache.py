"""Compiled kernels are kept apart for every version of those that become part of others, and come back as they were."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

import sidekeep
import sidekeep.dsp
from sidekeep.dsp.kernel import FORGOTTEN_AFTER_S, PLAIN, borrowed, forget_old, inner_kernels_key, kernel

INNER = "\n@inner_kernel\ndef half(x):\n    return 0.5 * x\n"
OUTER = "\n@kernel\ndef twice_half(x):\n    return 2.0 * half(x)\n"


def test_another_inner_kernel_is_another_folder(tmp_path: Path) -> None:
    (tmp_path / "inner.py").write_text(INNER)
    (tmp_path / "outer.py").write_text(OUTER)
    before = inner_kernels_key(tmp_path)
    (tmp_path / "outer.py").write_text(
        OUTER.replace("2.0", "3.0")
    )  # its own file: the compiler sees that itself
    assert inner_kernels_key(tmp_path) == before
    (tmp_path / "inner.py").write_text(INNER.replace("0.5", "0.25"))
    changed = inner_kernels_key(tmp_path)
    assert changed != before
    (tmp_path / "inner.py").rename(tmp_path / "moved.py")
    assert inner_kernels_key(tmp_path) not in (before, changed)


def test_all_inner_kernels_lie_where_the_key_looks() -> None:
    package = Path(sidekeep.__file__).parent
    holders = [path for path in package.rglob("*.py") if "\n@inner_kernel" in path.read_text("utf-8")]
    assert len(holders) > 5
    assert all(path.is_relative_to(Path(sidekeep.dsp.__file__).parent) for path in holders)


def test_only_what_is_long_unused_is_forgotten(tmp_path: Path) -> None:
    for name, age_s in (("old", FORGOTTEN_AFTER_S + 60.0), ("young", FORGOTTEN_AFTER_S - 60.0)):
        (tmp_path / name).mkdir()
        (tmp_path / name / "kernel.nbi").write_bytes(b"x")
        os.utime(tmp_path / name, (time.time() - age_s,) * 2)
    forget_old(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["young"]


def test_how_kernels_are_compiled_or_kept_is_part_of_the_key(tmp_path: Path) -> None:
    seen = {inner_kernels_key(tmp_path)}
    for name in ("kernel.py", "kernel_cache.py"):
        (tmp_path / name).write_text("one way")
        seen.add(inner_kernels_key(tmp_path))
        (tmp_path / name).write_text("another")
        seen.add(inner_kernels_key(tmp_path))
    assert len(seen) == 5


@kernel
def weigh_pieces(
    values: NDArray[np.float64], weights: tuple[NDArray[np.float64], NDArray[np.float64]]
) -> NDArray[np.float64]:
    values, weights = borrowed((values, weights))
    sums = np.zeros(2)
    for i in range(values.shape[0] - 2):
        piece = values[i : i + 3]
        for side in range(2):
            row = weights[side]
            for k in range(3):
                sums[side] += row[k] * piece[k]
    return sums


def test_what_a_kernel_borrows_is_still_held_by_who_gave_it() -> None:
    values, one, two = np.arange(20.0), np.array([1.0, 2.0, 3.0]), np.ones(3)
    before = [sys.getrefcount(array) for array in (values, one, two)]
    for _ in range(100):
        sums = weigh_pieces(values, (one, two))
    assert [sys.getrefcount(array) for array in (values, one, two)] == before
    wanted = [np.correlate(values, row, "valid").sum() for row in (one, two)]
    np.testing.assert_allclose(sums, wanted, rtol=1e-12)
    assert borrowed(values) is values


@pytest.mark.skipif(PLAIN, reason="SIDEKEEP_PLAIN=1: nothing is compiled")
def test_nothing_is_counted_for_what_a_kernel_borrows() -> None:
    weigh_pieces(np.arange(9.0), (np.ones(3), np.ones(3)))
    weigh_pieces.dispatcher.recompile()  # what came from the disk cannot be looked into
    (code,) = weigh_pieces.dispatcher.inspect_llvm().values()  # type: ignore[attr-defined]
    body = code[code.index("define") :].split("\n}\n")[0]
    assert "weigh_pieces" in body.splitlines()[0]
    assert "call void @NRT_incref" not in body


MIDDLE = """
import numpy as np
from sidekeep.dsp.kernel import kernel

@kernel
def middle(values, count):
    if count < 1:
        raise ValueError("a middle of nothing")
    chosen = np.empty(count)
    chosen[:] = values[:count]
    return np.median(chosen)
"""
SMALL = MIDDLE.replace("np.median(chosen)", "chosen[0]")
"""Compiled in a fraction of the time: a median brings its sorting along."""
ASK = """
import sys
import numpy as np
from middles import middle

values = np.array([3.0, 1.0, 2.0, 5.0, 4.0])
print(middle(values, 5), middle(values, 2))
for count in (0, 6):
    try:
        middle(values, count)
    except ValueError as refused:
        print(refused)
print(sum(middle.dispatcher.stats.cache_hits.values()), "numba.np.arraymath" in sys.modules)
"""


def ask(folder: Path, kernel_text: str = MIDDLE) -> list[str]:
    """What a process of its own says, whose kernels lie in the folder."""
    (folder / "middles.py").write_text(kernel_text)
    surroundings = {**os.environ, "NUMBA_CACHE_DIR": str(folder), "PYTHONPATH": str(folder)}
    said = subprocess.run(
        [sys.executable, "-c", ASK], env=surroundings, capture_output=True, text=True, check=True
    )
    return said.stdout.splitlines()


@pytest.mark.skipif(PLAIN, reason="SIDEKEEP_PLAIN=1: nothing is compiled")
def test_a_kernel_from_the_disk_is_the_same_and_leaves_the_compiler_alone(tmp_path: Path) -> None:
    *compiled, how_compiled = ask(tmp_path)
    *loaded, how_loaded = ask(tmp_path)
    assert compiled[:2] == ["3.0 2.0", "a middle of nothing"]
    assert loaded == compiled
    assert (how_compiled, how_loaded) == ("0 True", "1 False")


@pytest.mark.skipif(PLAIN, reason="SIDEKEEP_PLAIN=1: nothing is compiled")
@pytest.mark.parametrize("ending", ["nbc", "nbi"])
def test_a_kernel_cut_short_on_the_disk_is_compiled_again(tmp_path: Path, ending: str) -> None:
    compiled = ask(tmp_path, SMALL)
    (kept,) = tmp_path.rglob(f"*.{ending}")
    kept.write_bytes(kept.read_bytes()[:100])
    assert ask(tmp_path, SMALL) == compiled
    *loaded, how_loaded = ask(tmp_path, SMALL)
    assert loaded == compiled[:-1]
    assert how_loaded.startswith("1 ")


@pytest.mark.parametrize(
    "module", ["sidekeep.service.mend", "sidekeep.service.survey", "sidekeep.service.house"]
)
def test_the_compiler_is_not_met_before_a_kernel_is_called(module: str) -> None:
    asked = f"import sys, {module}; print('numba' in sys.modules)"
    said = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert said.stdout == "False\n"


def test_where_nothing_can_be_written_kernels_work_and_it_is_said_once(tmp_path: Path) -> None:
    """A folder for passing files that is none, and no home: also what calls no kernel did not begin."""
    script = """
import tempfile
tempfile.tempdir = "/proc/none"
import numpy as np
from sidekeep.dsp import kernel
from sidekeep.dsp.level.sample_levels import all_numbers
assert not kernel.IS_KEPT
assert all_numbers(np.zeros((5, 2)))
assert not all_numbers(np.full((5, 2), np.nan))
"""
    surroundings = {name: value for name, value in os.environ.items() if name != "NUMBA_CACHE_DIR"}
    surroundings["XDG_CACHE_HOME"] = "/proc/none"
    done = subprocess.run(
        [sys.executable, "-c", script], env=surroundings, capture_output=True, text=True, cwd=tmp_path
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr.count("no folder can be written to") == 1
