"""What changed: fragments become a part of the page, the newest first, what alters samples at its top."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.docs.pages import ROOT, text
from tests.test_docs import CHANGE_KINDS, load

MAKER = load(ROOT / "docs" / "make_changes.py")


@pytest.fixture
def project(tmp_path: Path) -> Path:
    folder = tmp_path / "changelog.d"
    folder.mkdir()
    (folder / "README.md").write_text("# What changed\n", "utf-8")
    (folder / "gaps.fixed.md").write_text("A gap is\nno track.\n", "utf-8")
    (folder / "ticks.sound.md").write_text("Ticks are softer.\n", "utf-8")
    (tmp_path / "CHANGELOG.md").write_text(
        "# What changed\n\nNewest first.\n\n## older\n\n- Something.\n", "utf-8"
    )
    return tmp_path


def test_fragments_become_the_newest_part_of_the_page_and_go(project: Path) -> None:
    assert MAKER.gather(project, "0.2.0") == 2
    assert (project / "CHANGELOG.md").read_text("utf-8") == (
        "# What changed\n\nNewest first.\n\n## 0.2.0\n\n### Copies sound different\n\n- Ticks are softer.\n\n"
        "### Put right\n\n- A gap is no track.\n\n## older\n\n- Something.\n"
    )
    assert [path.name for path in (project / "changelog.d").iterdir()] == ["README.md"]


def test_only_those_that_are_named_are_gathered(project: Path) -> None:
    assert MAKER.gather(project, "0.2.0", ["gaps.fixed.md"]) == 1
    assert (project / "changelog.d" / "ticks.sound.md").exists()
    assert "Ticks" not in (project / "CHANGELOG.md").read_text("utf-8")


def test_a_name_that_is_not_there_changes_nothing(project: Path) -> None:
    before = (project / "CHANGELOG.md").read_text("utf-8")
    with pytest.raises(FileNotFoundError):
        MAKER.gather(project, "0.2.0", ["gaps.fixed.md", "gone.fixed.md"])
    assert (project / "CHANGELOG.md").read_text("utf-8") == before
    assert (project / "changelog.d" / "gaps.fixed.md").exists()


def test_every_kind_of_fragment_has_its_heading_on_the_page() -> None:
    assert sorted(MAKER.KINDS) == sorted(CHANGE_KINDS)
    assert set(re.findall(r"^### (.*)$", text("CHANGELOG.md"), re.MULTILINE)) <= set(MAKER.KINDS.values())
