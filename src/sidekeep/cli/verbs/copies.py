"""``sidekeep copies``: copies of a record on the shelf."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from sidekeep.cli.verbs.shelf import add_shelf_option


def add_recipe_options(parser: argparse.ArgumentParser) -> None:
    """How takes become copies."""
    parser.add_argument("--recipe", type=Path, metavar="FILE", help="a recipe.toml to follow")
    parser.add_argument(
        "--mend",
        choices=("gentle", "even", "thorough", "none"),
        help="how much is mended: gentle leaves doubtful places as they are, thorough takes faint crackle too (default: even)",
    )
    parser.add_argument(
        "--level",
        metavar="WHAT",
        help="peak (default: highest true peak to -1 dBTP), none, or a loudness such as -18 for -18 LUFS",
    )
    parser.add_argument(
        "--lead-in",
        choices=("cut", "needle", "groove"),
        help="what is kept before the music: nothing (cut, the default), all from the needle drop on "
        "(needle), or the last second of groove (groove)",
    )
    parser.add_argument(
        "--titles",
        default="sure",
        choices=("sure", "printed", "heard"),
        help="which titles are given: only sure ones (default), all in the sleeve's order, or by the lengths that are heard",
    )
    parser.add_argument(
        "--comment", metavar="TEXT", default="", help="a line about stylus and chain for the tags"
    )
    parser.add_argument(
        "--isrc",
        action="append",
        metavar="MARK=CODE",
        help="the ISRC of a track, such as A2=AA6Q72000047; may be given several times",
    )
    parser.add_argument(
        "--track-names",
        metavar="TEMPLATE",
        help="file names of tracks (default: '{number} {title}'; also {artist} {side} {position} {year} ...)",
    )
    parser.add_argument(
        "--form",
        action="append",
        metavar="KIND=FORM",
        help="form of a kind: bits and rate (lossless=16,48000), or its bit rate: small, good, best or kbit/s "
        "(portable=good); may be given several times",
    )
    parser.add_argument(
        "--picture-px", type=int, metavar="N", help="longest edge of pictures (default: 1400)"
    )
    parser.add_argument(
        "--picture-kb", type=int, metavar="N", help="largest picture, in kilobytes (default: 0, no limit)"
    )
    parser.add_argument(
        "--front-file",
        choices=("cover", "folder", "both"),
        help="name of the front beside the tracks: cover.jpg (default), folder.jpg or both",
    )
    yes_or_no = argparse.BooleanOptionalAction
    parser.add_argument(
        "--cd-picture", action=yes_or_no, help="put the picture into CD tracks too (default: no)"
    )
    parser.add_argument(
        "--disc-folders", action=yes_or_no, help="a folder for every disc of a set (default: no)"
    )
    parser.add_argument(
        "--through-numbers",
        action=yes_or_no,
        help="number tracks straight through all discs (default: no, each begins at 1)",
    )
    parser.add_argument(
        "--old-tags", action=yes_or_no, help="ID3v2.3 in MP3, WAV and AIFF, for old players (default: no)"
    )
    parser.add_argument("--owner", metavar="NAME", help="who keeps the master: a person or an organisation")
    parser.add_argument("--replace", action="store_true", help="overwrite files that are there")


def copy_choices(options: argparse.Namespace) -> dict[str, Any]:
    """What was said of the form of the copies; None is not said."""
    names = (
        "picture_px",
        "picture_kb",
        "front_file",
        "cd_picture",
        "disc_folders",
        "through_numbers",
        "old_tags",
        "owner",
    )
    said = {name: getattr(options, name) for name in names}
    said["forms"] = tuple(options.form) if options.form else None
    return said


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument(
        "record", metavar="RECORD", nargs="?", help="the record: its folder, or words that match just one"
    )
    parser.add_argument(
        "--copies",
        default="lossless,portable",
        metavar="KINDS",
        help="kinds of copies, comma-separated, or all (default: lossless,portable); --copies list shows them",
    )
    add_recipe_options(parser)
    parser.add_argument("--json", action="store_true", help="print JSON")
    add_shelf_option(parser)


def run(options: argparse.Namespace) -> int:
    """Write copies, then one line per file."""
    from sidekeep.cli.terminal.output import progress_bar
    from sidekeep.cli.texts.transfer import print_kinds, show_transfer
    from sidekeep.errors import ParameterError
    from sidekeep.service.choices.kinds import facts_from, naming_from
    from sidekeep.service.choices.recipes import wish_from
    from sidekeep.service.shelf.place import default_shelf
    from sidekeep.service.transfers.copies import copy_record
    from sidekeep.service.transfers.transferred import TransferOptions

    if options.copies.strip() == "list":
        print_kinds()
        return 0
    if options.record is None:
        raise ParameterError("no-record-named")
    wish = wish_from(
        options.recipe,
        size=options.mend,
        level=options.level,
        lead_in=options.lead_in,
        **copy_choices(options),
    )
    with progress_bar("listening", quiet=options.json) as progress:
        result, report_path = copy_record(
            options.shelf or default_shelf(),
            options.record,
            options=TransferOptions(
                kinds=options.copies,
                facts=facts_from(comment=options.comment, isrcs=options.isrc or ()),
                naming=naming_from(options.track_names),
                replace=options.replace,
                titles=options.titles,
            ),
            recipe=wish,
            progress=progress,
        )
    return show_transfer(result, report_path, machine=options.json)
