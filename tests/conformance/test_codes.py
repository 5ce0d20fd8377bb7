"""ISRC (ISO 3901:2019; the example is the registration authority's own, never a real code) and GS1 check
digits (weights 3 and 1 from the right, GS1 General Specifications 7.9, from memory). The numbers are of the ranges kept for use
inside a shop (GS1 prefixes 20 to 29, UPC-A number system 2): no goods in trade have them. The arithmetic is in the comments."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidekeep.copies.tracks.codes import check_barcode, check_digit, check_isrc
from sidekeep.errors import ParameterError


def test_isrc() -> None:
    assert check_isrc("ISRC AA-6Q7-20-00047") == "AA6Q72000047"
    assert check_isrc("aa6q72000047") == "AA6Q72000047"
    assert check_isrc("") == ""


@pytest.mark.parametrize("text", ["AA6Q7200004", "A16Q72000047", "AA6Q7200004X", "AA6Q720000477"])
def test_wrong_isrc(text: str) -> None:
    with pytest.raises(ParameterError, match="ISRC"):
        check_isrc(text)


def test_check_digits() -> None:
    # 2+0*3+0+6*3+3+8*3+1+3*3+3+3*3+9+3*3 = 87 -> 3; 2*3+3+6*3+0+0*3+0+2*3+9+1*3+4+5*3 = 64 -> 6
    assert check_digit("200638133393") == 3
    assert check_digit("23600029145") == 6
    assert check_barcode("2 006381 333933") == "2006381333933"
    assert check_barcode("236000291456") == "236000291456"
    # An UPC-A code with a zero in front is the same number as EAN-13, with the same digit.
    assert check_barcode("0236000291456") == "0236000291456"


@given(st.text("0123456789", min_size=12, max_size=12), st.integers(0, 11), st.integers(1, 9))
def test_one_wrong_digit_is_always_found(digits: str, place: int, change: int) -> None:
    code = digits + str(check_digit(digits))
    assert check_barcode(code) == code
    wrong = code[:place] + str((int(code[place]) + change) % 10) + code[place + 1 :]
    with pytest.raises(ParameterError, match="one digit is wrong"):
        check_barcode(wrong)


@pytest.mark.parametrize("text", ["12345", "20063813339331", "200638133393X"])
def test_barcodes_of_a_wrong_length(text: str) -> None:
    with pytest.raises(ParameterError, match="must have 13 digits"):
        check_barcode(text)
