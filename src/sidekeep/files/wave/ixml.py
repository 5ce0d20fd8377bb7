"""The ``iXML`` chunk of Broadcast Wave: what ``bext`` says in plain ASCII, in full (iXML specification, from memory).

The same text stands beside a recording that is kept byte for byte.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as Tree
from collections.abc import Mapping

from sidekeep.files.wave.bext import Bext

_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_CHANNELS = {1: ("M",), 2: ("L", "R")}


def ixml_document(
    *,
    project: str,
    tape: str,
    note: str,
    bext: Bext,
    rate_hz: int,
    bits: int,
    channels: int,
    user: Mapping[str, str] | None = None,
) -> bytes:
    """The document, UTF-8. ``project`` is the record, ``tape`` the side; ``user`` names what has no place of its own.
    Empty values are left out."""
    root = Tree.Element("BWFXML")
    _put(root, {"IXML_VERSION": "3.01", "PROJECT": project, "TAPE": tape, "NOTE": note})
    _put(Tree.SubElement(root, "SPEED"), {"FILE_SAMPLE_RATE": str(rate_hz), "AUDIO_BIT_DEPTH": str(bits)})
    tracks = Tree.SubElement(root, "TRACK_LIST")
    names = _CHANNELS[channels]
    _put(tracks, {"TRACK_COUNT": str(len(names))})
    for index, name in enumerate(names, start=1):
        place = {"CHANNEL_INDEX": str(index), "INTERLEAVE_INDEX": str(index), "NAME": name}
        _put(Tree.SubElement(tracks, "TRACK"), place)
    if bext.loudness_lufs is not None:
        measured = {
            "LOUDNESS_VALUE": bext.loudness_lufs,
            "LOUDNESS_RANGE": bext.loudness_range_lu,
            "MAX_TRUE_PEAK_LEVEL": bext.max_true_peak_dbtp,
        }
        texts = {name: "" if value is None else f"{value:.2f}" for name, value in measured.items()}
        _put(Tree.SubElement(root, "LOUDNESS"), texts)
    _put(
        Tree.SubElement(root, "BEXT"),
        {
            "BWF_DESCRIPTION": bext.description,
            "BWF_ORIGINATOR": bext.originator,
            "BWF_ORIGINATOR_REFERENCE": bext.originator_reference,
            "BWF_ORIGINATION_DATE": bext.origination_date,
            "BWF_ORIGINATION_TIME": bext.origination_time,
            "BWF_CODING_HISTORY": bext.coding_history.replace("\r\n", "\n").strip(),
        },
    )
    if user:
        _put(Tree.SubElement(root, "USER"), user)
    Tree.indent(root)
    return b'<?xml version="1.0" encoding="UTF-8"?>\n' + Tree.tostring(root, encoding="utf-8") + b"\n"


def _put(parent: Tree.Element, values: Mapping[str, str]) -> None:
    for name, value in values.items():
        if value:
            Tree.SubElement(parent, name).text = _NOT_XML.sub("", value)
