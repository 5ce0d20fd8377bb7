"""What the pages say of sleeve texts and recipes is read as they say."""

from __future__ import annotations

import re

import pytest

from sidekeep.model.record import Record
from sidekeep.shelf.choices.recipe_file import read_recipe
from sidekeep.shelf.sleeve.reading import read_sleeve
from sidekeep.shelf.sleeve.writing import write_sleeve
from tests.docs.pages import fenced, text


@pytest.mark.parametrize("block", fenced(text("docs/sleeve.md"), "sleeve"))
def test_sleeve_blocks_read_without_a_problem_and_back(block: str) -> None:
    record, problems = read_sleeve(block)
    assert problems == []
    assert record.track_count >= 1
    assert read_sleeve(write_sleeve(record))[0] == record


def test_the_plain_sleeve_block_says_what_the_page_says() -> None:
    record, _ = read_sleeve(fenced(text("docs/sleeve.md"), "sleeve")[0])
    assert (record.artist, record.title, record.year) == ("The Wicker Boats", "Tallow Wharf Almanac", 1971)
    assert (record.label, record.catalogue_number, record.country) == ("Osprook", "TR 104", "Norway")
    assert (record.rpm, record.size_inch, record.genre) == (100 / 3, 12, "Folk; Shanty")
    assert [[track.title for track in side.tracks] for side in record.sides] == [
        ["Lamp Oil", "Grüße vom Kai"],
        ["Slack Water", "The Long Pier, Part 2"],
    ]
    assert record.sides[0].tracks[1].composer == "I. Marsh"


def forms(page: str) -> list[str]:
    return re.findall(r"^\| `(.*Lamp Oil.*)` \|$", page, re.MULTILINE)


@pytest.mark.parametrize("line", forms(text("docs/sleeve.md")))
def test_all_track_lines_say_the_same(line: str) -> None:
    record, problems = read_sleeve(f"The Wicker Boats - Tallow Wharf Almanac (1971)\nSide A\n{line}\n")
    assert problems == []
    (side,) = record.sides
    (track,) = side.tracks
    assert (track.title, track.duration_s, track.artist, side.name) == ("Lamp Oil", 225.0, "", "A")


def test_side_headings_of_the_page_name_a_side() -> None:
    (line,) = [line for line in text("docs/sleeve.md").splitlines() if line.startswith("`Side A`")]
    headings = re.findall(r"`([^`]+)`", line)
    assert len(headings) >= 10
    to_second = {"First": "Second", "ONE": "TWO", "1": "2", "A": "B"}
    for heading in headings:
        if heading.startswith("Disc"):  # discs need one before them: below
            continue
        for one, two in to_second.items():
            heading = re.sub(rf"(?<![A-Za-z]){one}(?![A-Za-z])", two, heading)
        record, problems = read_sleeve(
            f"The Wicker Boats - Tallow Wharf Almanac (1971)\nSide A\nSalt\n{heading}\nTar\n"
        )
        assert ([side.name for side in record.sides], problems) == (["A", "B"], []), heading
    discs = "".join(f"Disc {disc} - Side {side}\n1 Lamp Oil\n" for disc in (1, 2) for side in "AB")
    record, _ = read_sleeve(f"The Wicker Boats - Tallow Wharf Almanac (1971)\n{discs}")
    assert [side.name for side in record.sides] == ["A", "B", "C", "D"]


def test_the_readme_sleeve_reads() -> None:
    (block,) = re.findall(r"```\n\s*(The Wicker Boats.*?)```", text("README.md"), re.DOTALL)
    record, problems = read_sleeve("\n".join(line.strip() for line in block.splitlines()))
    assert (problems, record.track_count, [side.name for side in record.sides]) == ([], 3, ["A", "B"])
    assert record != Record()


def test_the_recipe_of_the_page_is_the_default_one() -> None:
    from sidekeep.model.recipe import Recipe

    (block,) = fenced(text("docs/how-to-transfer-files.md"), "toml")
    assert read_recipe(block) == Recipe()
