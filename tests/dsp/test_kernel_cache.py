"""Where compiled kernels are kept: apart for every version of the kernels that become part of others."""

from __future__ import annotations

import os
import time
from pathlib import Path

import sidekeep
import sidekeep.dsp
from sidekeep.dsp.kernel import FORGOTTEN_AFTER_S, forget_old, inner_kernels_key

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
