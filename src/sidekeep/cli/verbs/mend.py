"""``sidekeep mend``: a mended twin of a recording."""

from __future__ import annotations

import argparse
from pathlib import Path

from sidekeep.cli.terminal.collector import collector_at_rest


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument("source", type=Path, metavar="IN", help="the recording; it is only read")
    parser.add_argument("out", type=Path, metavar="OUT", help="the mended file (.wav, .flac, .aiff)")
    parser.add_argument(
        "--mend",
        choices=("gentle", "even", "thorough"),
        default="even",
        help="how much is mended: gentle leaves doubtful places as they are, thorough takes faint crackle too (default: even)",
    )
    parser.add_argument(
        "--leave",
        metavar="FRAMES",
        default="",
        help="start frames of repairs to leave untouched, comma-separated (from the list of --json)",
    )
    parser.add_argument(
        "--mend-too",
        metavar="FRAMES",
        default="",
        help="start frames of places left in doubt to mend after all, comma-separated (from the list of --json)",
    )
    parser.add_argument(
        "--taken-out", type=Path, metavar="FILE", help="also write what was taken out, to listen to"
    )
    parser.add_argument("--replace", action="store_true", help="overwrite OUT if it is there")
    parser.add_argument("--json", action="store_true", help="print the list of repairs as JSON")


def run(options: argparse.Namespace) -> int:
    """Mend and tell what was done."""
    with collector_at_rest():
        return _run(options)


def _run(options: argparse.Namespace) -> int:
    from sidekeep.cli.terminal.output import print_json, progress_bar, say
    from sidekeep.cli.texts.findings import print_findings
    from sidekeep.cli.texts.kinds import repairs_text
    from sidekeep.model.recipe import MendChoice, MendSettings
    from sidekeep.service.mend import mend_file

    leave, too = _frames("--leave", options.leave), _frames("--mend-too", options.mend_too)
    choices = tuple(MendChoice(do="mend", start_frame=frame, stop_frame=frame + 1) for frame in too)
    with progress_bar("mending", quiet=options.json) as progress:
        result = mend_file(
            options.source,
            options.out,
            settings=MendSettings(size=options.mend, leave=leave, choices=choices),
            taken_out_path=options.taken_out,
            replace=options.replace,
            progress=progress,
        )
    rate_hz = result.format.rate_hz
    if options.json:
        from sidekeep.flow.passes.contract import finding_object, repair_object

        print_json(
            {
                "schema": 1,
                "rate_hz": rate_hz,
                "repairs": [repair_object(repair) for repair in result.repairs],
                "left": [
                    {**repair_object(repair), "reason": "perhaps-music" if repair.in_doubt else "chosen"}
                    for repair in result.left
                ],
                "findings": [finding_object(finding, rate_hz) for finding in result.findings],
            }
        )
    else:
        mended = repairs_text(repair.kind for repair in result.repairs)
        say(f"{options.out}: {f'mended {mended}' if mended else 'nothing needed mending'}")
        print_findings(result.findings, rate_hz)
    return 1 if any(finding.severity != "note" for finding in result.findings) else 0


def _frames(option: str, text: str) -> tuple[int, ...]:
    from sidekeep.errors import ParameterError

    try:
        return tuple(int(word) for word in text.split(",") if word.strip())
    except ValueError:
        raise ParameterError("frames-not-numbers", option=option, text=text) from None
