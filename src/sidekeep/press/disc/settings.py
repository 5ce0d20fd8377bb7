"""What a side is pressed and played with: physically named settings and four ready-made states.

Levels are dBFS of the finished take (rms for noises, peak for pulses); shares are plain ratios
(0.001 = 0.1 %). Ranges are chosen here, most of them from the geometry of the groove (IEC 60098).
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

from sidekeep.errors import ParameterError
from sidekeep.units import LP_RPM, SHELLAC_RPM


@dataclass(frozen=True, kw_only=True)
class PressSettings:
    """An ordinary used LP by default.

    Geometry and speed
        ``rpm`` nominal; ``speed_error`` of the player, share; ``speed_drift`` share over the whole side;
        ``start_radius_mm``/``end_radius_mm`` of the music; ``eccentricity_mm`` hole to spiral centre;
        ``warp`` peak speed change of the warp's first harmonic, share; ``flutter`` rms, share, 6-60 Hz.
    Damage
        ``dust_per_min`` ticks; ``scratches`` per side, each crossing ``scratch_turns`` (least, most) turns;
        ``pops_per_min``; ``thumps`` per side; ``crackle_per_s`` inside patches that cover ``crackle_share``
        of the side; ``click_dbfs`` median peak of a dust tick, ``click_spread_db`` its standard deviation,
        ``crackle_dbfs`` median peak of crackle; ``loose_dust`` share of the dust that lies elsewhere the next time
        the disc is played (survey: 10-40 %).
    Ageing (what a later playing adds to the same disc)
        ``new_ticks`` ticks that were not there before; ``wear_db`` treble lost at 10 kHz at the end of the side,
        nothing at its beginning, growing with the square of the frequency (short waves wear first);
        ``stylus_db`` treble at 10 kHz that another stylus gives (or takes) all over the side.
    Noise
        ``hiss_dbfs`` groove noise rms per channel at the outside (2 dB more inside), ``rumble_dbfs`` rms,
        ``hum_hz``/``hum_dbfs`` (0 Hz for none), ``chain_dbfs`` noise with the needle up.
    Chain
        ``channel_gain_db`` left over right; ``crosstalk_db``; ``clip_dbfs`` of the converter, None for
        full scale; ``peak_dbfs`` of the music in the take; ``bits`` of the converter, None for no rounding.
    Layout
        ``needle_down_lead_s`` before the needle, ``lead_in_s`` of groove before music, ``gap_s`` between
        pieces (one length, or a (least, most) range), ``segue_overlap_s``, ``run_out_turns`` of locked
        groove, ``needle_up_tail_s`` after the needle; ``locked_repeats``: whether the damage of the locked groove comes
        round once a turn, as on a disc (off, every turn of it is damaged elsewhere).
    """

    rpm: float = LP_RPM
    speed_error: float = 0.001
    speed_drift: float = 0.0
    start_radius_mm: float = 146.3
    end_radius_mm: float = 60.0
    eccentricity_mm: float = 0.15
    warp: float = 0.0005
    flutter: float = 0.0003

    dust_per_min: float = 25.0
    scratches: int = 4
    scratch_turns: tuple[int, int] = (8, 60)
    pops_per_min: float = 3.0
    thumps: int = 6
    crackle_per_s: float = 40.0
    crackle_share: float = 0.2
    click_dbfs: float = -31.0
    click_spread_db: float = 9.0
    crackle_dbfs: float = -37.0
    loose_dust: float = 0.3
    new_ticks: int = 0
    wear_db: float = 0.0
    stylus_db: float = 0.0

    hiss_dbfs: float = -62.0
    rumble_dbfs: float = -58.0
    hum_hz: float = 50.0
    hum_dbfs: float = -76.0
    chain_dbfs: float = -86.0

    channel_gain_db: float = 0.4
    crosstalk_db: float = -27.0
    clip_dbfs: float | None = None
    peak_dbfs: float = -6.0
    bits: int | None = 24

    needle_down_lead_s: float = 3.0
    lead_in_s: float = 4.0
    gap_s: float | tuple[float, float] = (1.8, 4.0)
    segue_overlap_s: float = 1.5
    run_out_turns: int = 5
    needle_up_tail_s: float = 3.0
    locked_repeats: bool = False

    def __post_init__(self) -> None:
        for name, low, high in _RANGES:
            value = getattr(self, name)
            if not low <= value <= high:
                raise ParameterError("press-setting", name=name, value=value, low=low, high=high)
        if self.end_radius_mm >= self.start_radius_mm:
            raise ParameterError(
                "groove-radius", end_radius_mm=self.end_radius_mm, start_radius_mm=self.start_radius_mm
            )
        if self.bits is not None and not 8 <= self.bits <= 32:
            raise ParameterError("press-bits", bits=self.bits)
        if not 1 <= self.scratch_turns[0] <= self.scratch_turns[1]:
            raise ParameterError("scratch-turns", scratch_turns=self.scratch_turns)

    def but(self, **changes: Any) -> PressSettings:
        """A copy with some values changed."""
        return dataclasses.replace(self, **changes)


_RANGES = (
    ("rpm", 10.0, 100.0),
    ("speed_error", -0.08, 0.08),
    ("speed_drift", -0.02, 0.02),
    ("start_radius_mm", 60.0, 200.0),
    ("end_radius_mm", 40.0, 150.0),
    ("eccentricity_mm", 0.0, 3.0),
    ("warp", 0.0, 0.01),
    ("flutter", 0.0, 0.01),
    ("dust_per_min", 0.0, 20_000.0),
    ("scratches", 0, 200),
    ("pops_per_min", 0.0, 2_000.0),
    ("thumps", 0, 1_000),
    ("crackle_per_s", 0.0, 10_000.0),
    ("crackle_share", 0.0, 1.0),
    ("click_dbfs", -90.0, 0.0),
    ("click_spread_db", 0.0, 30.0),
    ("crackle_dbfs", -120.0, 0.0),
    ("loose_dust", 0.0, 1.0),
    ("new_ticks", 0, 10_000),
    ("wear_db", 0.0, 12.0),
    ("stylus_db", -12.0, 12.0),
    ("hiss_dbfs", -160.0, -10.0),
    ("rumble_dbfs", -160.0, -10.0),
    ("hum_hz", 0.0, 400.0),
    ("hum_dbfs", -160.0, -10.0),
    ("chain_dbfs", -160.0, -10.0),
    ("channel_gain_db", -20.0, 20.0),
    ("crosstalk_db", -200.0, 0.0),
    ("peak_dbfs", -60.0, 0.0),
    ("needle_down_lead_s", 0.0, 600.0),
    ("lead_in_s", 0.0, 60.0),
    ("segue_overlap_s", 0.0, 30.0),
    ("run_out_turns", 0, 1_000),
    ("needle_up_tail_s", 0.0, 600.0),
)


def clean_lp(**changes: Any) -> PressSettings:
    """A well-kept LP: little dust, no scratches, quiet groove."""
    kept = PressSettings(
        eccentricity_mm=0.08,
        warp=0.0002,
        flutter=0.0002,
        dust_per_min=4.0,
        scratches=0,
        pops_per_min=0.3,
        thumps=0,
        crackle_per_s=0.0,
        crackle_share=0.0,
        click_dbfs=-36.0,
        hiss_dbfs=-68.0,
        rumble_dbfs=-64.0,
        hum_dbfs=-84.0,
    )
    return kept.but(**changes)


def used_lp(**changes: Any) -> PressSettings:
    """An ordinary LP that has been played and handled: the defaults."""
    return PressSettings().but(**changes)


def worn_lp(**changes: Any) -> PressSettings:
    """A party record: scratched, dusty, noisy, off centre."""
    worn = PressSettings(
        eccentricity_mm=0.3,
        warp=0.001,
        flutter=0.0005,
        dust_per_min=90.0,
        scratches=10,
        scratch_turns=(15, 150),
        pops_per_min=12.0,
        thumps=20,
        crackle_per_s=150.0,
        crackle_share=0.5,
        click_dbfs=-28.0,
        crackle_dbfs=-33.0,
        hiss_dbfs=-54.0,
        rumble_dbfs=-50.0,
        hum_dbfs=-68.0,
        channel_gain_db=-1.2,
        crosstalk_db=-22.0,
    )
    return worn.but(**changes)


def bad_78(**changes: Any) -> PressSettings:
    """A worn shellac disc: about a tenth of the samples are hit."""
    shellac = PressSettings(
        rpm=SHELLAC_RPM[3],
        start_radius_mm=146.0,
        end_radius_mm=50.0,
        eccentricity_mm=0.4,
        warp=0.001,
        flutter=0.001,
        dust_per_min=600.0,
        scratches=12,
        scratch_turns=(10, 120),
        pops_per_min=40.0,
        thumps=25,
        crackle_per_s=280.0,
        crackle_share=1.0,
        click_dbfs=-23.0,
        click_spread_db=7.0,
        crackle_dbfs=-27.0,
        hiss_dbfs=-42.0,
        rumble_dbfs=-42.0,
        hum_dbfs=-60.0,
        lead_in_s=2.0,
    )
    return shellac.but(**changes)


PRESETS = {"clean_lp": clean_lp, "used_lp": used_lp, "worn_lp": worn_lp, "bad_78": bad_78}
