"""The coming end of the open take: when it is due, and why. Music, or a needle that is down again, takes it back.

Moments are frames of the open input, whose rate may be another one after it was lost and found.
"""

from __future__ import annotations

from sidekeep.flow.needle.needle_watch import NeedleEvent

AFTER_LIFT_S = 1.5
LEVER_S, LEVER_HEARD_S = 5.0, 4.0
"""A needle that is up for five seconds in the middle of a side was lifted by the lever and goes on: nobody turns a record over in
that time (common practice, no source). That it is down again is heard up to four seconds late."""


class ComingEnd:
    """``why`` is empty while no end is in sight."""

    def __init__(self) -> None:
        self.why = ""
        self._frame = 0

    def after_run_out(self, now: int, kept_s: float, rate_hz: int) -> None:
        """The run-out was reached: the take ends after ``kept_s`` of it."""
        self.why, self._frame = "run-out", now + round(kept_s * rate_hz)

    def after_lift(self, change: NeedleEvent, rate_hz: int, *, may_go_on: bool) -> None:
        """The needle is up, or the chain was only switched on; where the side may go on, the take waits for the lever."""
        self.why = change.why if change.why == "switched-on" else "lift"
        rest_s = LEVER_S + LEVER_HEARD_S if may_go_on and change.why in ("lift", "drop") else AFTER_LIFT_S
        self._frame = change.frame + round(rest_s * rate_hz)

    def is_lever(self, up_frame: int, down_frame: int, rate_hz: int) -> bool:
        """Whether a needle that was lifted and is down again was lifted by the lever."""
        return self.why == "lift" and down_frame - up_frame <= LEVER_S * rate_hz

    def is_due(self, now: int) -> bool:
        """Whether the take is to end by now."""
        return bool(self.why) and now >= self._frame

    def forget(self) -> None:
        """No end is in sight any more."""
        self.why = ""
