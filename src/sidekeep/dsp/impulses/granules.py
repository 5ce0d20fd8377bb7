"""Whether a take was decoded from an MP3, by what no recording leaves: coefficients that the encoder rounded to nothing.

Conventions: planes are (channels, frames) float64 at 48 kHz or less; positions are frames of the take. An MP3 encoder takes
the sound apart into granules of 576 coefficients (32 bands of a filter, each by a cosine transform of 18) and rounds them;
in the top of the treble, which has one step size for all its 158 lines, many become zero. Whoever takes the decoded sound
apart once more finds them again as long as the granules begin where they began then, and at none of the 575 other places.
Methods: ISO/IEC 11172-3, 1993, section 2.4.3.4 and annex C (filter, transform, alias reduction); Herre & Schug, Analysis of
decompressed audio: the inverse decoder, AES 109th convention, 2000.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

GRANULE = 576
"""Frames of a granule, and its lines: those of 38 Hz each at 44.1 kHz."""
HIGHEST_HZ = 48_000
"""MP3 knows no higher rates."""
LINES = (*range(310, 418, 9), *range(418, 520, 6))
"""The lines looked at: from 418 (16 kHz) on one step size serves all, but low bit rates end there; above 520 (20 kHz) encoders
leave nothing. So few say enough: what lines hold is independent from four lines on."""
GRANULES = 20
"""Granules of one look, a quarter of a second."""
EVERY = 33_000
"""Frames from the start of one look to that of the next; no multiple of what another format cuts sound into."""
ROUNDING = 2e-5
"""Coefficients are told apart down to here: rounding to 16 bits leaves 0.9e-5 in each, 1.5e-5 with dither."""
SURE, ALONE = 7.0, 2.0
"""How far one place must stand out, in standard deviations of all 576, and over the next best: without an encoder the best of
576 reaches 2.5 to 4.3 however long one looks, with one 7 to 40 after six seconds."""
MOST_OF_ONE = 8.0
"""No look counts for more: two at least must agree on the place, which chance lets them do once in 576 times."""
MOST_LOOKS = 40
"""After some thirty seconds nothing more is looked for."""
NEAR = 4
"""Places this near to the best are of the same peak."""
PROTOTYPE = """
0 -1 -1 -1 -1 -1 -1 -2 -2 -2 -2 -3 -3 -4 -4 -5 -5 -6 -7 -7 -8 -9 -10 -11 -13 -14 -16 -17 -19 -21 -24 -26 -29 -31 -35 -38 -41 -45
-49 -53 -58 -63 -68 -73 -79 -85 -91 -97 -104 -111 -117 -125 -132 -139 -147 -154 -161 -169 -176 -183 -190 -196 -202 -208 -213
-218 -222 -225 -227 -228 -228 -227 -224 -221 -215 -208 -200 -189 -177 -163 -146 -127 -106 -83 -57 -29 2 36 72 111 153 197 244
294 347 401 459 519 581 645 711 779 848 919 991 1064 1137 1210 1283 1356 1428 1498 1567 1634 1698 1759 1817 1870 1919 1962 2001
2032 2057 2075 2085 2087 2080 2063 2037 2000 1952 1893 1822 1739 1644 1535 1414 1280 1131 970 794 605 402 185 -45 -288 -545 -814
-1095 -1388 -1692 -2006 -2330 -2663 -3004 -3351 -3705 -4063 -4425 -4788 -5153 -5517 -5879 -6237 -6589 -6935 -7271 -7597 -7910
-8209 -8491 -8755 -8998 -9219 -9416 -9585 -9727 -9838 -9916 -9959 -9966 -9935 -9863 -9750 -9592 -9389 -9139 -8840 -8492 -8092
-7640 -7134 -6574 -5959 -5288 -4561 -3776 -2935 -2037 -1082 -70 998 2122 3300 4533 5818 7154 8540 9975 11455 12980 14548 16155
17799 19478 21189 22929 24694 26482 28289 30112 31947 33791 35640 37489 39336 41176 43006 44821 46617 48390 50137 51853 53534
55178 56778 58333 59838 61289 62684 64019 65290 66494 67629 68692 69679 70590 71420 72169 72835 73415 73908 74313 74630 74856
74992 75038
"""
"""The first half of the filter all 32 bands are made from, in units of 2**-16 (table 3-B.3 of the standard, its signs by the
block of 64 taken out); the second half is its mirror image."""
ALIAS = (-0.6, -0.535, -0.33, -0.185, -0.095, -0.041, -0.0142, -0.0037)
"""How much of a line leaks into its mirror image in the next band (table 3-B.9)."""
BAND_LINES = 18
"""The 576 lines of a granule over the 32 bands of the filter."""


class GranuleWatch:
    """Looks at stretch after stretch of a take, in any order, and says whether an MP3 was decoded into it."""

    def __init__(self, rate_hz: int) -> None:
        self._open = rate_hz <= HIGHEST_HZ
        self._sum = np.zeros(GRANULE)
        self._looks = 0
        self.sure = False
        """Whether it was; once known it stays."""

    def look(self, planes: Floats, start_frame: int) -> None:
        """The next stretch, whose first frame is ``start_frame`` of the take."""
        whole = GRANULES * GRANULE + response_of(LINES[0]).size
        for at in range(0, planes.shape[1] - whole + 1, EVERY):
            if self.sure or self._looks >= MOST_LOOKS or not self._open:
                return
            found = emptiness(planes[:, at : at + whole])
            found *= min(1.0, MOST_OF_ONE / max(1e-9, float(found.max())))
            self._sum += np.roll(found, (start_frame + at) % GRANULE)
            self._looks += 1
            best = int(np.argmax(self._sum))
            others = np.delete(self._sum, np.arange(best - NEAR, best + NEAR + 1) % GRANULE)
            self.sure = self._sum[best] > max(SURE * np.sqrt(self._looks), ALONE * others.max())


def emptiness(planes: Floats) -> Floats:
    """How empty the lines are on average when granules begin at each of 576 frames from the first one on, in standard
    deviations over the median of all; zeros where all are alike."""
    frames = -(-planes.shape[1] // 1024) * 1024
    # a line that is empty in the sum or the difference of two channels is so in neither of them, and the other way about
    parts = planes[:1] if len(planes) == 1 else np.stack([planes[0], np.sqrt(0.5) * (planes[0] - planes[1])])
    spectra = np.fft.rfft(parts.astype(np.float32), frames, axis=1)
    level = np.zeros(GRANULE)
    for spectrum in spectra:
        lines = np.fft.irfft(spectrum * _responses(frames), frames, axis=1)[:, : GRANULES * GRANULE]
        power = np.square(lines, dtype=np.float32) + np.float32(ROUNDING**2)
        level -= np.log(power).reshape(-1, GRANULE).mean(axis=0)
    level -= np.median(level)
    spread = 1.4826 * float(np.median(np.abs(level)))
    return level / spread if spread > 0.0 else np.zeros(GRANULE)


@lru_cache(maxsize=2)
def _responses(frames: int) -> NDArray[np.complex64]:
    """Spectra (lines, bins) that turn a stretch of so many frames into what every line holds, granules beginning anywhere."""
    responses = np.stack([response_of(line) for line in LINES]).astype(np.float32)
    return np.conj(np.fft.rfft(responses, frames, axis=1))


def response_of(line: int) -> Floats:
    """Weights of a granule's frames, and of those about it, in one of its lines; their squares add up to 1."""
    band, within = divmod(line, BAND_LINES)
    mirror = BAND_LINES - 1 - within
    response = _band_line(band, within)
    if within < len(ALIAS) and band > 0:
        turn = np.arctan(ALIAS[within])
        response = np.cos(turn) * response - np.sin(turn) * _band_line(band - 1, mirror)
    elif mirror < len(ALIAS) and band < 31:
        turn = np.arctan(ALIAS[mirror])
        response = np.cos(turn) * response + np.sin(turn) * _band_line(band + 1, mirror)
    return np.asarray(response / np.sqrt(np.sum(np.square(response))))


def _band_line(band: int, within: int) -> Floats:
    """One line of the cosine transform of one band of the filter."""
    half = np.array(PROTOTYPE.split(), dtype=np.float64)
    tap = np.arange(2 * len(half) - 2)
    heard = np.concatenate([half, half[-2:0:-1]]) * np.cos((2 * band + 1) * (tap - 16) * np.pi / 64.0)
    at = np.arange(2 * BAND_LINES)
    weights = np.sin(np.pi / 36.0 * (at + 0.5)) * np.cos(np.pi / 72.0 * (2 * at + 19) * (2 * within + 1))
    # bands of odd number hold their spectrum upside down: every other value is turned
    weights *= np.where((at % 2 == 1) & (band % 2 == 1), -1.0, 1.0)
    response = np.zeros(len(tap) + 32 * (len(at) - 1))
    for place, weight in zip(32 * at, weights, strict=True):
        response[place : place + len(tap)] += weight * heard[::-1]
    return response
