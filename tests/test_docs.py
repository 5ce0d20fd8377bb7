"""The pages say what the code says: verbs, kinds, findings, sleeve forms, JSON fields, links. Both ways where it can be."""

from __future__ import annotations

import hashlib
import importlib.util
import json
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from sidekeep.cli.main import VERBS, build_parser
from sidekeep.press.music.demo_record import demo_record
from tests.docs.pages import PAGES, ROOT, SOURCE, text

TEXT_ENDINGS = {".py", ".md", ".toml", ".html", ".css", ".js", ".svg", ".lock", ".txt", ".sh", ""}


def load(path: Path) -> ModuleType:
    specification = importlib.util.spec_from_file_location(path.stem, path)
    assert specification is not None
    assert specification.loader is not None
    module = importlib.util.module_from_spec(specification)
    specification.loader.exec_module(module)
    return module


# Commands


def test_the_page_of_commands_is_fresh(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "102")  # the script sets both; monkeypatch puts them back
    monkeypatch.setenv("NO_COLOR", "1")
    made = load(ROOT / "docs" / "make_commands.py").page()
    # Python versions break usage lines differently: words count, not lines.
    assert text("docs/commands.md").split() == made.split(), "run: python docs/make_commands.py"


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_is_on_the_page_and_told_of_elsewhere(verb: str) -> None:
    assert f"## sidekeep {verb}\n" in text("docs/commands.md")
    told = "".join(page.read_text("utf-8") for page in PAGES if page.name != "commands.md")
    assert re.search(rf"(sidekeep|\./run) {verb}\b", told), f"no page but commands.md shows 'sidekeep {verb}'"


def test_pages_show_no_command_that_is_not_there() -> None:
    shown = {
        match[1]
        for page in PAGES
        for match in re.finditer(r"(?:`|^|\b\./)sidekeep ([a-z]+)\b", page.read_text("utf-8"), re.MULTILINE)
    }
    assert shown - set(VERBS) == set()


def test_options_in_shell_lines_exist() -> None:
    known = set(re.findall(r"--[a-z][a-z-]+", text("docs/commands.md")))
    command = re.compile(rf"(?:sidekeep|\./run) (?:{'|'.join(VERBS)})\b[^`\n#]*")
    shown = [(page, line) for page in PAGES for line in command.findall(page.read_text("utf-8"))]
    assert sum("--" in line for _, line in shown) > 20
    for page, line in shown:
        assert set(re.findall(r"--[a-z][a-z-]+", line)) <= known, f"{page.name}: {line}"


def shown_commands() -> list[tuple[str, str]]:
    """Page and command line, of every line in a code block and every code span that a person can type as it stands."""
    found = []
    for page in PAGES:
        if page.name == "commands.md":
            continue
        body = page.read_text("utf-8")
        lines = re.findall(
            r"^ *(sidekeep [a-z].*)$", "\n".join(re.findall(r"```.*?```", body, re.DOTALL)), re.M
        )
        spans = re.findall(
            r"`(sidekeep [a-z]+ (?!-)[^`\n]+)`", re.sub(r"```.*?```", "", body, flags=re.DOTALL)
        )
        found += [
            (page.name, line) for line in (*lines, *spans) if not re.search(r"\.\.\.|\[|shelf [a-z]+$", line)
        ]
    return found


@pytest.mark.parametrize(("page", "line"), shown_commands())
def test_shown_commands_can_be_typed(page: str, line: str) -> None:
    """Words, options and their values are understood by the parser of the verb."""
    words = shlex.split(line, comments=True)[1:]
    build_parser(words[0]).parse_args(words)


def test_enough_commands_are_read_from_the_pages() -> None:
    assert len({page for page, _ in shown_commands()}) >= 4
    assert len(shown_commands()) >= 20


# Pictures


def test_the_readmes_picture_is_of_the_demo_as_it_is() -> None:
    """Made by ``./run pictures --readme``: the figures on it were noted with it, and are those of the demo's record."""
    told = json.loads(text("docs/images/report.json"))
    picture = (ROOT / "docs" / "images" / "report.jpg").read_bytes()
    assert hashlib.sha256(picture).hexdigest() == told["picture_sha256"]
    record = demo_record()
    printed = [track for side in record.sides for track in side.tracks]
    assert told["title"] == record.title
    assert [title for title, _ in told["tracks"]] == [track.title for track in printed]
    for (title, length), track in zip(told["tracks"], printed, strict=True):
        minutes, seconds = length.split(":")
        assert track.duration_s is not None
        assert abs(60 * int(minutes) + int(seconds) - track.duration_s) <= 5.0, title
    assert f"in {len(printed)} tracks" in " ".join(told["facts"])
    # places mended and gain are what this mender and this survey made of the demo
    heard_by = load(ROOT / "docs" / "report_picture.py").heard_by()
    assert told["heard_by"] == heard_by, "run: ./run demo; ./run pictures --report FILE"
    assert int(told["facts"]["places mended"].replace("\u202f", "")) > 1000
    assert re.fullmatch(r"\+\d\.\d\sdB", told["facts"]["for the whole record, nothing compressed"])
    assert int(told["facts"]["files written"]) >= 2 * len(printed)


# Links, places, house rules


def anchor(heading: str) -> str:
    return re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-")


def links(page: Path) -> Iterator[str]:
    body = re.sub(r"^```.*?^```$", "", page.read_text("utf-8"), flags=re.DOTALL | re.MULTILINE)
    yield from re.findall(r"\]\(([^)\s]+)\)", body)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    for link in links(page):
        if "://" in link:
            continue
        name, _, part = link.partition("#")
        target = (page.parent / name).resolve() if name else page
        assert target.exists(), f"{page.name} links to {link}"
        if part:
            headings = re.findall(r"^#+ (.*)$", target.read_text("utf-8"), re.MULTILINE)
            assert part in map(anchor, headings), f"{page.name} links to {link}"


def test_every_page_is_in_the_index() -> None:
    index = set(links(ROOT / "docs" / "README.md"))
    assert {page.name for page in (ROOT / "docs").glob("*.md")} - {"README.md"} <= index


def test_pictures_are_small() -> None:
    for picture in (ROOT / "docs" / "images").iterdir():
        assert picture.stat().st_size < 300_000, picture.name


@pytest.mark.parametrize(
    "room", sorted(path.name for path in SOURCE.iterdir() if len(list(path.glob("*.py"))) > 1)
)
def test_every_room_has_a_signpost_and_a_line_in_the_architecture(room: str) -> None:
    assert (SOURCE / room / "README.md").exists()
    assert f"`{room}/`" in text("docs/architecture.md")


def test_the_table_of_the_architecture_names_the_rooms_of_every_package() -> None:
    """All of them, and no room that is gone."""
    rows = re.findall(r"^\| `([a-z]+)/` \| (.*?) \| [^|]*\|$", text("docs/architecture.md"), re.MULTILINE)
    assert len(rows) > 8
    for package, holds in rows:
        rooms = {path.name for path in (SOURCE / package).iterdir() if list(path.glob("*.py"))}
        rooms |= {"page"} if package == "web" else set()
        # A room of another package that is spoken of is named with it: `dsp/alignment`.
        assert set(re.findall(r"`([a-z]+)/`", holds)) == rooms, package


def test_every_inner_room_has_a_signpost() -> None:
    folders = {path.parent for path in SOURCE.rglob("*.py") if path.name != "__init__.py"} - {SOURCE}
    assert [str(folder) for folder in sorted(folders) if not (folder / "README.md").exists()] == []


def test_pages_and_signposts_name_no_file_that_is_gone() -> None:
    there = [f"/{path.relative_to(ROOT).as_posix()}" for path in own_files()]
    wrong = [
        f"{page.relative_to(ROOT)}: {name}"
        for page in (*SOURCE.rglob("README.md"), *PAGES)
        for name in re.findall(r"`([a-z_0-9/]+\.(?:py|js|html))`", page.read_text("utf-8"))
        if not any(path.endswith(f"/{name}") for path in there)
    ]
    assert wrong == []


def own_files() -> Iterator[Path]:
    """Text files of the project: what is set up, cached or made here is not ours."""
    for top in ("src", "docs", "examples", "tests", "benchmarks", "changelog.d", ".ci"):
        for path in (ROOT / top).rglob("*"):
            made = any(part == "__pycache__" or part.endswith(".egg-info") for part in path.parts)
            if path.is_file() and path.suffix in TEXT_ENDINGS and not made:
                yield path
    # In a linked working tree `.git` is a file that names the place of the repository: not ours either.
    yield from (
        path
        for path in ROOT.iterdir()
        if path.is_file() and path.suffix in TEXT_ENDINGS and path.name != ".git"
    )


def test_no_machine_paths_and_no_registries_in_any_text() -> None:
    # Put together here, so that this file does not hold them.
    machine = [
        f"/{place}/" for place in ("work/main", "work/shared", "tmp/lead", "tmp/setup", "root", "home/runner")
    ]
    registries = [".".join(parts) for parts in (("pypi", "org"), ("pythonhosted", "org"), ("npmjs", "org"))]
    wrong = [
        f"{path.relative_to(ROOT)}: {bad}"
        for path in own_files()
        for bad in (*machine, *registries)
        if bad in path.read_text("utf-8", errors="replace")
    ]
    assert wrong == []


def is_barcode(digits: str) -> bool:
    """Whether the last digit of 12 or 13 checks the others (GS1 General Specifications, section 7.9)."""
    digits = digits.zfill(13)
    total = sum(int(digit) * (3 if place % 2 else 1) for place, digit in enumerate(digits[:12]))
    return (10 - total % 10) % 10 == int(digits[12])


def test_no_barcode_is_of_goods_in_trade() -> None:
    """GS1 prefixes 20 to 29, and number system 2 of UPC-A, are for use inside a shop: nothing on sale has them."""
    found = {
        digits
        for path in own_files()
        if path.suffix in {".py", ".md", ".txt", ".html", ".js"}
        for digits in re.findall(r"(?<![\w.])\d{12,13}(?![\w.])", path.read_text("utf-8", errors="replace"))
        if is_barcode(digits)
    }
    assert found
    assert {digits for digits in found if not digits.zfill(13).startswith(("2", "02"))} == set()


def test_locks_hold_no_addresses() -> None:
    locks = sorted(ROOT.glob("*.lock"))
    assert [path.name for path in locks] == ["requirements-test.lock", "requirements.lock"]
    for path in locks:
        assert "://" not in path.read_text("utf-8"), path.name


# Changelog


CHANGE_KINDS = ("added", "changed", "fixed", "removed", "docs", "sound")


def test_changelog_fragments_are_named_and_filled() -> None:
    fragments = [path for path in (ROOT / "changelog.d").iterdir() if path.name != "README.md"]
    for path in fragments:
        assert re.fullmatch(rf"[a-z0-9-]+\.({'|'.join(CHANGE_KINDS)})\.md", path.name), path.name
        assert len(path.read_text("utf-8").strip()) > 20, path.name
    assert all(f"`{kind}`" in text("changelog.d/README.md") for kind in CHANGE_KINDS)
