"""What is told of a take's noise: hum and rumble where one hears them, and that the noise had to be guessed."""

from __future__ import annotations

from sidekeep.dsp.noise.hum import Hum
from sidekeep.model.finding import Finding
from sidekeep.model.measures import Noise

LOUD_HUM_DBFS = -62.0
"""Hum one hears in a quiet groove at a usual level (common practice, no source)."""
LOUD_RUMBLE_DBFS = -45.0
"""Rumble that moves woofers for nothing (common practice, no source)."""


def noise_findings(noise: Noise, hum: Hum, groove_from: str, length_frames: int) -> list[Finding]:
    """What is worth telling of a take's noise; ``groove_from`` says where groove noise was read."""
    findings: list[Finding] = []
    if groove_from != "spans":
        findings.append(
            Finding(
                kind="noise-guessed",
                start_frame=0,
                stop_frame=length_frames,
                facts={"groove_dbfs": noise.groove_dbfs},
            )
        )
    if noise.hum_hz > 0.0 and noise.hum_dbfs > LOUD_HUM_DBFS:
        findings.append(
            Finding(
                kind="hum",
                start_frame=0,
                stop_frame=length_frames,
                severity="act" if noise.hum_dbfs > LOUD_HUM_DBFS + 15.0 else "look",
                facts={
                    "hum_hz": noise.hum_hz,
                    "hum_dbfs": noise.hum_dbfs,
                    "harmonics": float(len(hum.harmonics)),
                },
            )
        )
    if noise.rumble_dbfs > LOUD_RUMBLE_DBFS:
        findings.append(
            Finding(
                kind="rumble",
                start_frame=0,
                stop_frame=length_frames,
                severity="look",
                facts={"rumble_dbfs": noise.rumble_dbfs, "groove_dbfs": noise.groove_dbfs},
            )
        )
    return findings
