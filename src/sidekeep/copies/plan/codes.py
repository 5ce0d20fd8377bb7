"""Codes printed on releases: ISRC (ISO 3901) and EAN-13 / UPC-A barcodes (GS1 General Specifications)."""

from __future__ import annotations

import re

from sidekeep.errors import ParameterError

_ISRC = re.compile(r"[A-Z]{2}[A-Z0-9]{3}[0-9]{7}")


def check_isrc(text: str) -> str:
    """The twelve characters of an ISRC, without dashes; empty stays empty. Never made up."""
    code = re.sub(r"[\s-]", "", text).upper().removeprefix("ISRC").removeprefix(":")
    if code and not _ISRC.fullmatch(code):
        raise ParameterError(
            f"ISRC {text!r} must be two letters, three letters or digits, and seven digits; leave it empty "
            "when the release has none"
        )
    return code


def check_digit(digits: str) -> int:
    """Check digit of a GS1 number from the digits before it: weights 3, 1, 3, ... from the right."""
    total = sum(int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(digits)))
    return (10 - total % 10) % 10


def check_barcode(text: str) -> str:
    """The digits of an EAN-13, UPC-A or EAN-8 barcode with a right check digit; empty stays empty."""
    digits = re.sub(r"[\s-]", "", text)
    if not digits:
        return ""
    if not re.fullmatch(r"[0-9]{8}|[0-9]{12,13}", digits):
        raise ParameterError(f"barcode {text!r} must have 13 digits (EAN), 12 (UPC) or 8; check the sleeve")
    right = check_digit(digits[:-1])
    if int(digits[-1]) != right:
        raise ParameterError(
            f"barcode {text!r} ends in {digits[-1]} but its other digits ask for {right}; one digit is wrong"
        )
    return digits
