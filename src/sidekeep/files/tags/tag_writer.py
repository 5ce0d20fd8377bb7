"""Tags into a file of any kind: one door to what every format has of its own."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import mutagen

from sidekeep.errors import CopyError, ParameterError
from sidekeep.files.pictures.artwork import Picture
from sidekeep.files.tags.id3 import write_id3
from sidekeep.files.tags.mp4 import write_mp4
from sidekeep.files.tags.tag_set import TAGGED_SUFFIXES, TagSet, clean_tags
from sidekeep.files.tags.vorbis import write_flac, write_opus


def write_tags(
    path: Path, suffix: str, tags: TagSet, pictures: Sequence[Picture] = (), *, id3_version: int = 4
) -> None:
    """Replace all tags of an audio file.

    ``suffix`` says the format (the file itself may carry a temporary name); ``id3_version`` is 4 or 3.
    Raises ``CopyError`` when the file is not of that format, ``ParameterError`` for values that cannot be
    written.
    """
    if id3_version not in (3, 4):
        raise ParameterError("id3-version", id3_version=id3_version)
    if suffix not in TAGGED_SUFFIXES:
        raise ParameterError("no-tags-for", suffix=suffix, known=TAGGED_SUFFIXES)
    tags = clean_tags(tags)
    try:
        if suffix in (".flac", ".opus"):
            (write_flac if suffix == ".flac" else write_opus)(path, tags, pictures)
        elif suffix in (".m4a", ".m4b"):
            write_mp4(path, tags, pictures)
        else:
            write_id3(path, suffix, tags, pictures, version=id3_version)
    except mutagen.MutagenError as problem:
        cause = problem.__cause__ or problem.__context__
        if isinstance(cause, OSError):
            raise cause from None
        raise CopyError("tags-refused", name=path.name, reason=problem) from None
