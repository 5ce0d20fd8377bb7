"""Codes printed on releases: ISRC (ISO 3901) and EAN-13 / UPC-A barcodes (GS1 General Specifications)."""

from __future__ import annotations

import re

from sidekeep.errors import ParameterError

_ISRC = re.compile(r"[A-Z]{2}[A-Z0-9]{3}[0-9]{7}")


def check_isrc(text: str) -> str:
    """The twelve characters of an ISRC, without dashes; empty stays empty. Never made up."""
    code = re.sub(r"[\s-]", "", text).upper().removeprefix("ISRC").removeprefix(":")
    if code and not _ISRC.fullmatch(code):
        raise ParameterError("isrc-form", text=text)
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
        raise ParameterError("barcode-length", text=text)
    right = check_digit(digits[:-1])
    if int(digits[-1]) != right:
        raise ParameterError("barcode-check-digit", text=text, digit=digits[-1], right=right)
    return digits
