"""The pages say what the code says: verbs, kinds, findings, sleeve forms, JSON fields, links. Both ways where it can be."""

from __future__ import annotations

import ast
import hashlib
import importlib.util
import json
import re
import shlex
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from types import ModuleType

import pytest

import sidekeep
from sidekeep.cli.main import VERBS, build_parser
from sidekeep.copies.kinds.table import KINDS
from sidekeep.model.record import Record
from sidekeep.press.music.demo_record import demo_record
from sidekeep.shelf.choices.recipe_file import read_recipe
from sidekeep.shelf.sleeve.reading import read_sleeve
from sidekeep.shelf.sleeve.writing import write_sleeve
from sidekeep.wording.findings import WORDS

ROOT = Path(__file__).parents[1]
SOURCE = Path(sidekeep.__file__).parent
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md")), ROOT / "examples" / "README.md"]
PAGES += [ROOT / "changelog.d" / "README.md"]
TEXT_ENDINGS = {".py", ".md", ".toml", ".html", ".css", ".js", ".svg", ".lock", ".txt", ".sh", ""}


def text(name: str) -> str:
    return (ROOT / name).read_text("utf-8")


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
    for page in PAGES:
        for line in command.findall(page.read_text("utf-8")):
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


# Kinds of copies and findings


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_copies_is_documented(kind: str) -> None:
    assert f"`{kind}`" in text("docs/copies.md")


@cache
def makers_of(path: Path) -> dict[str, int | None]:
    return makers_in(ast.parse(path.read_text("utf-8"))) if path.exists() else {}


def makers_in(tree: ast.Module) -> dict[str, int | None]:
    """Functions that make a finding of the kind they are given, and the place of that argument if it has one."""
    makers: dict[str, int | None] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and node.returns and "Finding" in ast.unparse(node.returns):
            names = [argument.arg for argument in (*node.args.posonlyargs, *node.args.args)]
            if "kind" in names:
                makers[node.name] = names.index("kind")
            elif "kind" in [argument.arg for argument in node.args.kwonlyargs]:
                makers[node.name] = None
    return makers


class Raised(ast.NodeVisitor):
    """Kinds given to ``Finding`` or to a helper that makes one, of the same module or imported."""

    def __init__(self, tree: ast.Module) -> None:
        self.kinds: set[str] = set()
        self.unclear: list[int] = []
        self.makers: dict[str, int | None] = {"Finding": None}
        self.inside: list[str] = []
        self.makers |= makers_in(tree)
        self.own = set(self.makers)
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sidekeep."):
                path = SOURCE.joinpath(*str(node.module).split(".")[1:]).with_suffix(".py")
                there = makers_of(path)
                self.makers |= {each.name: there[each.name] for each in node.names if each.name in there}
        self.visit(tree)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self.inside.append(node.name)
        self.generic_visit(node)
        self.inside.pop()

    def visit_Call(self, node: ast.Call) -> None:
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        if name in self.makers:
            given = [keyword.value for keyword in node.keywords if keyword.arg == "kind"]
            place = self.makers[name]
            if not given and place is not None and place < len(node.args):
                given = [node.args[place]]
            for value in given:
                self.take(value, node.lineno, must=name in self.own)
        self.generic_visit(node)

    def take(self, value: ast.expr, line: int, *, must: bool) -> None:
        if isinstance(value, ast.Constant) and isinstance(value.value, str):
            self.kinds.add(value.value)
        elif isinstance(value, ast.IfExp):
            self.take(value.body, line, must=must)
            self.take(value.orelse, line, must=must)
        elif must and not (
            isinstance(value, ast.Name) and value.id == "kind" and set(self.inside) & set(self.makers)
        ):
            self.unclear.append(line)


def raised_kinds(root: Path) -> tuple[set[str], list[str]]:
    kinds: set[str] = set()
    unclear: list[str] = []
    for path in sorted(root.rglob("*.py")):
        if path.relative_to(root).parts[0] == "press":
            continue
        found = Raised(ast.parse(path.read_text("utf-8")))
        kinds |= found.kinds
        unclear += [f"{path.relative_to(root)}:{line}" for line in found.unclear]
    return kinds, unclear


def documented_kinds(page: str) -> dict[str, str]:
    """Kind and its severity from the tables of docs/findings.md."""
    return {m[1]: m[2] for m in re.finditer(r"^\| `([a-z0-9-]+)` \| ([a-z, ]+) \|", page, re.MULTILINE)}


def test_every_finding_is_documented_and_every_documented_one_is_raised() -> None:
    kinds, unclear = raised_kinds(SOURCE)
    assert unclear == [], "a finding's kind must be a plain word where it is raised"
    assert len(kinds) > 30
    documented = documented_kinds(text("docs/findings.md"))
    assert sorted(kinds - set(documented)) == [], "describe them in docs/findings.md"
    assert sorted(set(documented) - kinds) == [], "nothing raises these any more"
    assert sorted(kinds ^ set(WORDS)) == [], "every kind has its sentence in wording/"
    assert all(
        re.fullmatch(r"(note|look|act)(, (note|look|act))*", severity) for severity in documented.values()
    )


@pytest.mark.parametrize(
    ("code", "kinds"),
    [
        ("Finding(kind='one', start_frame=0, stop_frame=1)", {"one"}),
        (
            "def f(kind: str) -> Finding:\n    return Finding(kind=kind)\nf('two')\nf(kind='three')",
            {"two", "three"},
        ),
        ("Finding(kind='four' if x else 'five')", {"four", "five"}),
        ("def f(*, kind: str) -> Finding:\n    return Finding(kind=kind)\nf(kind='six')", {"six"}),
    ],
)
def test_the_reader_of_kinds_sees_all_ways_to_raise(code: str, kinds: set[str]) -> None:
    found = Raised(ast.parse(code))
    assert (found.kinds, found.unclear) == (kinds, [])


def test_the_reader_of_kinds_sees_a_hidden_kind() -> None:
    assert Raised(ast.parse("Finding(kind=names[3])")).unclear == [1]


# JSON


def printed_fields() -> set[str]:
    """Keys of the objects that verbs print, and fields of the values they print whole."""
    from sidekeep.copies.kept.checking import VerifyResult
    from sidekeep.devices.inputs import SoundInput
    from sidekeep.flow.needle.gauge import GaugeReading
    from sidekeep.shelf.index.catalogue import Entry
    from sidekeep.shelf.shelf_take import ShelfTake, TakeFile
    from sidekeep.shelf.styluses import StylusHours

    fields: set[str] = set()
    for whole in (VerifyResult, SoundInput, GaugeReading, Entry, TakeFile, StylusHours, ShelfTake):
        fields |= set(whole.__dataclass_fields__)
    for path in (SOURCE / "flow" / "passes" / "contract.py", *sorted((SOURCE / "cli").rglob("*.py"))):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            # Tables of the skin itself (what a key does, how a phase or a piece of news reads) are no objects of the contract.
            if path == SOURCE / "cli" / "texts" / "news.py":
                continue
            is_object = isinstance(node, ast.Dict) and any(
                not isinstance(value, ast.Constant | ast.JoinedStr) for value in node.values
            )
            if is_object:
                assert isinstance(node, ast.Dict)
                fields |= {str(key.value) for key in node.keys if isinstance(key, ast.Constant)}
    return fields


def test_every_printed_field_is_documented() -> None:
    fields = printed_fields()
    assert {"integrated_lufs", "repairs", "gain_db", "size_bytes", "places"} <= fields
    page = text("docs/json.md")
    assert sorted(field for field in fields if not re.search(rf"`{field}(\[\])?`", page)) == []


def news_codes() -> set[str]:
    """Codes that are raised anywhere, by name."""
    codes: set[str] = set()
    for path in SOURCE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            given = [word.value for word in node.keywords if word.arg == "code"] if name == "News" else []
            given += node.args[:1] if name == "news" else []
            codes |= {str(value.value) for value in given if isinstance(value, ast.Constant)}
    return codes


def test_all_news_has_words_and_is_documented() -> None:
    from sidekeep.cli.texts.news import _WORDS

    codes = news_codes()
    assert {"begun", "loss", "next-place", "turn-up"} <= codes
    assert sorted(codes - set(_WORDS)) == []
    page = text("docs/news.md")
    assert sorted(code for code in codes | set(_WORDS) if f"`{code}`" not in page) == []


def test_words_of_an_action_are_documented() -> None:
    from typing import get_args

    from sidekeep.copies.run.finish import Action

    page = text("docs/json.md")
    assert all(f"`{word}`" in page for word in get_args(Action))


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


# Sleeve text


def fenced(page: str, word: str) -> list[str]:
    return re.findall(rf"^```{word}\n(.*?)^```$", page, re.DOTALL | re.MULTILINE)


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


def test_every_inner_room_has_a_signpost() -> None:
    folders = {path.parent for path in SOURCE.rglob("*.py") if path.name != "__init__.py"} - {SOURCE}
    assert [str(folder) for folder in sorted(folders) if not (folder / "README.md").exists()] == []


def test_signposts_name_no_file_that_is_gone() -> None:
    there = [f"/{path.relative_to(ROOT).as_posix()}" for path in own_files()]
    wrong = [
        f"{page.relative_to(SOURCE)}: {name}"
        for page in SOURCE.rglob("README.md")
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
    for path in ROOT.glob("*.lock"):
        assert "://" not in path.read_text("utf-8"), path.name


# Changelog


CHANGE_KINDS = ("added", "changed", "fixed", "removed", "docs", "sound")


def test_changelog_fragments_are_named_and_filled() -> None:
    fragments = [path for path in (ROOT / "changelog.d").iterdir() if path.name != "README.md"]
    assert fragments
    for path in fragments:
        assert re.fullmatch(rf"[a-z0-9-]+\.({'|'.join(CHANGE_KINDS)})\.md", path.name), path.name
        assert len(path.read_text("utf-8").strip()) > 20, path.name
    assert all(f"`{kind}`" in text("changelog.d/README.md") for kind in CHANGE_KINDS)
