"""Errors about the shelf, its records and the files in them."""

from __future__ import annotations

from collections.abc import Mapping

from sidekeep.wording.errors.facts import Facts, Sentence

_CHOICES = {"recipe": "the recipe", "sleeve": "the sleeve text", "art": "a picture", "record": "the record"}


def _changed_since(facts: Facts) -> str:
    kind, _, rest = facts["path"].partition("/")
    what = (
        f"the cuts of side {rest.rpartition('/')[2]}" if kind == "cuts" else _CHOICES.get(kind, facts["path"])
    )
    return f"cannot go back: something else has changed {what} since; change it back by hand"


WORDS: Mapping[str, Sentence] = {
    "adopted-already": "{path} is part of {name} already; there is nothing to adopt",
    "adopted-before": (
        "these recordings are on the shelf already, as {name}; to keep them once more, name a record and sides for them"
    ),
    "record-holds-them": "{name} holds these recordings already; to keep them once more, name their sides",
    "source-differs": (
        "{path} is not what it was: its checksum does not match; restore it from a backup or a bag first"
    ),
    "copy-reads-back-differently": (
        "the copy of {name} does not read back as it was written: check the disk and its cable, then try again"
    ),
    "source-changed": (
        "{path} changed while it was being brought in (replaced, or something still records into it); "
        "nothing was adopted: run again when nothing writes to it any more"
    ),
    "source-written": "{path} was written to after it was copied: the original stays where it is",
    "sqlite-too-old": "SQLite {version} is too old; the shelf needs 3.37 or newer",
    "changed-elsewhere": "the record was changed elsewhere in the meantime; nothing was overwritten",
    "place-past-track": "cuts.toml: side {side}: {place}={value} lies beyond its track {track}",
    "not-a-table": "{file}: [{name}] must be a table",
    "file-would-outgrow": (
        "{name} would grow past {most} characters: nothing was changed; take choices out of it first"
    ),
    "place-said-twice": (
        "cuts.toml: side {side}: {place} says {value}, {edge} of its {which} track says {track_value}; "
        "they are one place: delete the one that is wrong"
    ),
    "choices-not-text": "{path} cannot be read: it is not UTF-8 text ({reason})",
    "facts-value": "{file}: [{name}] {key} = {value!r} must be {wanted}",
    "time-and-frame": (
        "cuts.toml: {side}: {place} says {time}, {place}_frame says {frame}, which is another place: "
        "delete the one that is wrong"
    ),
    "cuts-rate": "cuts.toml: rate_hz={rate_hz!r} must be a whole number of frames per second",
    "cuts-tables": "{where}: {name} must be written as [[{name}]] tables",
    "cuts-text": "cuts.toml: {where}: {name}={value!r} must be text in quotes",
    "cuts-flag": "cuts.toml: {where}: {name}={value!r} must be true or false",
    "cuts-no-name": "cuts.toml: a [[side]] without a name",
    "cuts-side-rate": "cuts.toml: {where}: rate_hz={rate_hz!r} must be a whole number of frames per second",
    "cuts-number": "cuts.toml: {where}: number={number!r} must be a whole number",
    "cuts-boundary": "cuts.toml: {where}: boundary={boundary!r} must be gap, segue or edge",
    "cuts-order": "cuts.toml: {where} stops (frame {stop}) before it starts (frame {start})",
    "cuts-confidence": "cuts.toml: {where}: confidence={confidence!r} must be a number from 0 to 1",
    "cuts-place-missing": "cuts.toml: {where}: neither {name} nor {name}_frame is given",
    "cuts-frame": "cuts.toml: {where}: {name}_frame={frame!r} must be a whole number",
    "cuts-time": 'cuts.toml: {where}={time!r} must be a time such as "3:45.5"',
    "cuts-side-twice": "cuts.toml: side {side} is there twice for one take; delete one of them",
    "index-damaged": "{path} is damaged ({reason}); it can be made again from the record folders",
    "index-in-use": "{path} is in use by another program; try again in a moment",
    "index-disk-full": (
        "{path} cannot grow: the disk is full. What is in the record folders is kept, a change just made too; make room, then "
        "'sidekeep shelf rebuild'"
    ),
    "index-not-permitted": "{path} cannot be written: the disk is read-only, or its permissions forbid it",
    "index-unread": "{path} cannot be read or written: the system reports {reason}",
    "index-not-opened": (
        "{path} cannot be opened for writing: the disk is read-only or full, or the folder's permissions "
        "forbid it"
    ),
    "inventory-unread": "{path} cannot be read ({reason}); it can be made again from what is there",
    "changed-since": _changed_since,
    "catalogue-newer": "this shelf's catalogue was made by a newer sidekeep; update sidekeep to open it",
    "recipe-entry": "the recipe has an unknown entry {entry!r}; known: {known}",
    "recipe-table": "[{name}] in the recipe must be a table",
    "recipe-table-entry": "[{name}] in the recipe has an unknown entry {entry!r}; known: {known}",
    "recipe-choices": "mend.choice in the recipe must be written as [[mend.choice]] tables",
    "recipe-whole": "{name} = {value!r} in the recipe must be a whole number",
    "recipe-list": "{name}.{key} in the recipe must be a list of {form}",
    "recipe-value": "{name}.{key} = {value!r} in the recipe must be like {default!r}",
    "recipe-choice-entry": "[[mend.choice]] in the recipe has an unknown entry {key!r}; known: {known}",
    "recipe-choice-value": "{key} = {value!r} of [[mend.choice]] in the recipe is of the wrong kind",
    "record-table": "record.toml: [{name}] must be a table such as A = 2",
    "take-facts-unread": "{path} cannot be read ({reason}); its take.wav is untouched",
    "not-a-record": "{path} is not a record of the shelf: it has no record.toml",
    "on-shelf-already": "{name} is already on the shelf",
    "choices-busy": (
        "{record}: its choices are being written by another program that does not end; end it, then try again"
    ),
    "busy": "{record}: {who} is at work on this record; wait until it has finished",
    "sleeve-file-too-long": "{name} is longer than {most_mb} MB; a sleeve text is a page or two",
    "sleeve-not-text": "{name} is not a text file; a sleeve is plain text, CSV or JSON",
    "sleeve-too-many-characters": "{name} has {characters} characters; a sleeve text has at most {most}",
    "styluses-unread": "{path} cannot be read: {reason}",
    "not-removed": "{path} could not be removed ({reason}); close what still uses it, then try again",
    "not-moved-to": "{path} cannot be moved to {to} ({reason}); close what still uses it, then try again",
    "text-too-long": "{name} is too long to be read ({characters} characters; at most {most})",
    "text-too-deep": "{name} cannot be read: a name in it has too many parts",
    "text-nested": "{name} cannot be read: brackets in it are nested too deeply",
    "record-empty": "{record}: record.toml is empty: a file that did not come along when the folder was copied or synchronised; "
    "restore it from a backup",
    "text-unread": "{name} cannot be read: {reason}",
    "nothing-to-undo": "there is nothing to undo",
    "nothing-to-redo": "there is nothing to redo",
}
