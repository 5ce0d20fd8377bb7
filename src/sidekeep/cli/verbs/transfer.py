"""``sidekeep transfer``: the whole job from files."""

from __future__ import annotations

import argparse
from pathlib import Path

from sidekeep.cli.verbs.copies import add_recipe_options, copy_choices


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument(
        "file", metavar="FILE", nargs="*", type=Path, help="recordings: one per side, or one with all sides"
    )
    parser.add_argument("--sleeve", type=Path, metavar="FILE", help="the track list as printed on the sleeve")
    parser.add_argument("--out", type=Path, metavar="DIR", help="where the record's folder goes")
    parser.add_argument(
        "--copies",
        default="lossless,portable",
        metavar="KINDS",
        help="kinds of copies, comma-separated, or all (default: lossless,portable); --copies list shows them",
    )
    parser.add_argument(
        "--sides",
        metavar="LETTERS",
        help="side(s) of every file, comma-separated, when it is not clear: A,A,B or AB,CD",
    )
    parser.add_argument("--picture", type=Path, metavar="FILE", help="a picture of the sleeve's front")
    parser.add_argument("--back-picture", type=Path, metavar="FILE", help="a picture of the sleeve's back")
    parser.add_argument("--label-picture", type=Path, metavar="FILE", help="a picture of the label")
    add_recipe_options(parser)
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(options: argparse.Namespace) -> int:
    """Transfer, then one line per file."""
    from sidekeep.cli.terminal.output import progress_bar
    from sidekeep.cli.texts.transfer import print_kinds, show_transfer
    from sidekeep.errors import ParameterError
    from sidekeep.service.choices.kinds import facts_from, naming_from, pictures_from
    from sidekeep.service.choices.recipes import recipe_from
    from sidekeep.service.transfers.report import transfer_with_report
    from sidekeep.service.transfers.transferred import TransferOptions

    if options.copies.strip() == "list":
        print_kinds()
        return 0
    if options.out is None:
        raise ParameterError("no-out-folder")
    chosen = TransferOptions(
        kinds=options.copies,
        recipe=recipe_from(
            options.recipe,
            size=options.mend,
            level=options.level,
            lead_in=options.lead_in,
            **copy_choices(options),
        ),
        facts=facts_from(comment=options.comment, isrcs=options.isrc or ()),
        naming=naming_from(options.track_names),
        side_letters=tuple(options.sides.split(",")) if options.sides else None,
        replace=options.replace,
        titles=options.titles,
    )
    with progress_bar("listening", quiet=options.json) as progress:
        result, report_path = transfer_with_report(
            options.file,
            out_dir=options.out,
            sleeve_path=options.sleeve,
            options=chosen,
            pictures=pictures_from(
                front=options.picture,
                back=options.back_picture,
                label=options.label_picture,
                settings=chosen.recipe.copies,
            ),
            progress=progress,
        )
    return show_transfer(result, report_path, machine=options.json)
