"""Errors about copies and masters."""

from __future__ import annotations

from collections.abc import Mapping

from sidekeep.wording.errors.facts import Facts, Sentence


def _copies_exist(facts: Facts) -> str:
    what = "1 file is there already" if facts["count"] == 1 else f"{facts['count']} files are there already"
    return (
        f"{facts['folder']}: {what}, made by hand or by another version, changed, or from other takes or settings "
        f"(first: {facts['first']}); nothing is overwritten unless you ask for it"
    )


WORDS: Mapping[str, Sentence] = {
    "history-damaged": (
        "{path} is damaged ({reason}); move the folder {folder} away, and make the copies again"
    ),
    "recording-changed": (
        "{path} changed while it was being read (replaced, or something still records into it); nothing "
        "was made from it: run again when nothing writes to it any more"
    ),
    "recording-differs": (
        "{path} is not what it was: its checksum does not match, so a byte has changed or another file "
        "took its place; nothing was made from it. Restore it from a backup"
    ),
    "recording-unread": (
        "{path} cannot be read to its end ({reason}); check its disk, or restore it from a backup"
    ),
    "manifest-line": (
        "{name} line {line_number} is not a checksum and a path; the manifest is damaged: restore it from "
        "a backup, or make the copies again"
    ),
    "manifest-path": "{name} line {line_number} names {path!r}, which is outside its folder; do not trust this manifest",
    "copy-unreadable": (
        "{name} cannot be read back ({reason}); the cause is not known: check the disk, then try again"
    ),
    "no-folder": "there is no folder {folder}; check the name, and that its disk is connected",
    "not-a-folder": "{folder} is not a folder; give a record's folder, a bag or one above them",
    "nothing-to-verify-by": "{folder} holds no {manifest} and no bag, so there is nothing to verify it against",
    "bit-rate-word": "bit rate {given!r} of {kind} must be small, good, best or a number of kbit/s: {numbers}",
    "form-unreadable": (
        "form {form!r} must be a kind, an equals sign and its form, such as lossless=16 or portable=good"
    ),
    "form-of-no-kind": "no kind of copies is called {kind!r}; allowed: {known}",
    "form-of-fixed-kind": "{kind} comes in one form only; leave out {form!r}",
    "form-word": "{given!r} of {kind} must be 16 or 24 (bits), or a rate between 8000 and 384000 Hz",
    "kind-unknown": "no kind of copies is called {kind!r}; allowed: {known} or all",
    "no-kind-of-copies": "no kind of copies was given; allowed: {known} or all",
    "bag-without-payload": "{folder} has nothing under data/ to put into a bag",
    "bag-line": (
        "{name} line {line_number} is not a checksum and a path; the bag is damaged: restore it from a backup"
    ),
    "bag-path": "{name} line {line_number} names {path!r}, which is outside the bag; do not trust this bag",
    "bag-label": "bag-info label {label!r} must be letters, digits and dashes",
    "master-exists": "{folder} is there already and holds another master; nothing is overwritten unless you ask for it",
    "master-reads-back-differently": (
        "{path} does not read back as it was written; the cause is not known: check the disk, then try again"
    ),
    "master-without-take": "a master needs at least one take",
    "isrc-form": (
        "ISRC {text!r} must be two letters, three letters or digits, and seven digits; leave it empty "
        "when the release has none"
    ),
    "barcode-length": "barcode {text!r} must have 13 digits (EAN), 12 (UPC) or 8; check the sleeve",
    "barcode-check-digit": (
        "barcode {text!r} ends in {digit} but its other digits call for {right}: one digit is wrong, so check the sleeve"
    ),
    "side-without-tracks": "side {side} has no tracks to write; give it at least one",
    "side-channels": "side {side} has {channels} channels; 1 or 2 are allowed",
    "frames-past-tracks": "side {side}: more sound came than its tracks hold",
    "track-out-of-turn": "side {side}: frames of track {track} came where {due_track} was due",
    "track-not-whole": "side {side}: track {track} is incomplete",
    "track-span-empty": (
        "track span {start_frame} to {stop_frame} on side {side} is empty or out of order; move its marks"
    ),
    "track-span-short": (
        "track span {start_frame} to {stop_frame} on side {side} is shorter than 0.1 s; move its marks or "
        "take it out"
    ),
    "frames-past-cuts": "side {side}: more sound came than the cuts hold",
    "copies-of-no-side": "no side was given; copies need at least one",
    "sides-alike": "sides {sides} must have different names",
    "lossy-ceiling": "lossy_ceiling_dbtp={lossy_ceiling_dbtp:g} must lie between -12 and 0",
    "master-of-no-take": "a master needs the takes it is made of; none were given",
    "template-without-field": "{what} template {template!r} needs at least one field; allowed: {allowed}",
    "folder-template": "folder template {folder!r} must name one folder, without a slash",
    "name-length": "maximum_units={maximum_units} must lie between 24 and 200",
    "template-unreadable": "{what} template {template!r} cannot be read: {reason}",
    "template-unknown-field": "{what} template has an unknown field {{{field}}}; allowed: {allowed}",
    "template-field-form": "{what} template field {{{field}}} must stand alone, without a format code",
    "isrc-of-no-track": "an ISRC was given for track {mark!r}, but no track has that mark",
    "copies-stopped": "the copies were stopped",
    "tags-changed-sound": (
        "{path}: writing tags changed the sound; the cause is not known: check the disk, then try again"
    ),
    "copy-not-whole": "{path}: its sound is incomplete; was every side it needs given?",
    "copy-frames": (
        "{path}: {came_frames} frames came, {due_frames} were due; the cause is not known: try again"
    ),
    "copy-decodes-differently": (
        "{path} does not decode to what went in (correlation {correlation:.2f}, at least {least} "
        "is needed); the cause is not known: check the disk, then try again"
    ),
    "kept-copy-differs": "{path} has been changed since it was made; move it away and it will be made again",
    "copies-failed": "the copies could not be written: {type}: {reason}; this is a fault in sidekeep",
    "run-begun": "this run has begun already; make a new one",
    "side-not-of-run": "side {side!r} is not part of this run, or the run is over",
    "block-columns": "a block of shape {shape} must have {channels} columns",
    "run-over": "the run is over; make a new one",
    "copy-level-differs": (
        "{path} was made at another level than the {kind} copies need now; remove the {kind} folder and run again"
    ),
    "side-track-not-whole": "track {track} of side {side} is incomplete; was every side it needs given?",
    "master-is-link": "{path} is a link to another place; remove the link to make a master here",
    "copy-of-other-sides": (
        "{path} also belongs to side {sides}, which is not being made now: give all sides together, or "
        "write to another folder"
    ),
    "copy-unread": "{path} cannot be read ({reason}); check its permissions, then its disk",
    "chapters-refused": "{name} cannot hold chapters: {reason}",
    "recording-differs-kept": (
        "{path} is not what it was: its checksum does not match, so a byte has changed or another file "
        "took its place; nothing was made from it. {bag} still holds it as it was: verify that bag and "
        "copy the file back"
    ),
    "recording-differs-sound-kept": (
        "{path} is not what it was: its checksum does not match, so a byte has changed or another file "
        "took its place; nothing was made from it. {bag} still holds its sound: verify that bag and bring "
        "the file in again"
    ),
    "copies-exist": _copies_exist,
}
