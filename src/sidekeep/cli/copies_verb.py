"""``sidekeep copies``: copies of a record on the shelf."""

from __future__ import annotations

import argparse
from pathlib import Path

from sidekeep.cli.shelf_verb import add_shelf_option


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
        "--lead-in", choices=("cut", "needle", "groove"), help="what is kept before the music"
    )
    parser.add_argument(
        "--titles",
        default="sure",
        choices=("sure", "printed", "heard"),
        help="which titles are given: only sure ones (default), all in the sleeve's order, or by the lengths that are heard",
    )
    parser.add_argument("--comment", default="", help="a line about stylus and chain for the tags")
    parser.add_argument(
        "--track-names",
        metavar="TEMPLATE",
        help="file names of tracks (default: '{number} {title}'; also {artist} {side} {position} {year} ...)",
    )
    parser.add_argument(
        "--old-tags", action="store_true", help="ID3v2.3 in MP3, WAV and AIFF, for old players"
    )
    parser.add_argument("--replace", action="store_true", help="overwrite files that are there")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument("record", nargs="?", help="the record: its folder, or words that match just one")
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
    from sidekeep.cli.terminal import progress_bar
    from sidekeep.cli.transfer_text import print_kinds, show_transfer
    from sidekeep.errors import ParameterError
    from sidekeep.service.copies import copy_record
    from sidekeep.service.recipes import wish_from
    from sidekeep.service.shelf import default_shelf
    from sidekeep.service.transfer import facts_from, naming_from
    from sidekeep.service.transferred import TransferOptions

    if options.copies.strip() == "list":
        print_kinds()
        return 0
    if options.record is None:
        raise ParameterError(
            "name the record: its folder, or words that match just one ('sidekeep shelf' lists them)"
        )
    wish = wish_from(options.recipe, size=options.mend, level=options.level, lead_in=options.lead_in)
    with progress_bar("listening", quiet=options.json) as progress:
        result, report_path = copy_record(
            options.shelf or default_shelf(),
            options.record,
            options=TransferOptions(
                kinds=options.copies,
                facts=facts_from(comment=options.comment),
                naming=naming_from(options.track_names),
                id3_version=3 if options.old_tags else 4,
                replace=options.replace,
                titles=options.titles,
            ),
            recipe=wish,
            progress=progress,
        )
    return show_transfer(result, report_path, machine=options.json)
