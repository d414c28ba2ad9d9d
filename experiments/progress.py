"""One line that says how far a run is: done, rate, time left."""

from __future__ import annotations

import time
from typing import TextIO

HOUR_S = 3600.0

#: How often the line is drawn anew on a terminal (s).
REDRAW_S = 0.2

#: Without a terminal, one plain line for each of these shares of the work.
PLAIN_SHARE = 0.1


class ProgressLine:
    """Draws progress on a stream; on a terminal in place, elsewhere as lines.

    Parameters
    ----------
    out : TextIO
        Where to draw.
    """

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self._live = out.isatty()
        self._begun = time.monotonic()
        self._drawn_s = 0.0
        self._next_share = 0.0
        self._before: int | None = None

    def __call__(self, done: int, total: int) -> None:
        """Draw, if it is time to.

        Parameters
        ----------
        done, total : int
            Simulated lane-seconds.
        """
        now = time.monotonic()
        if self._before is None:
            self._before = done  # found finished, so it says nothing about the rate
        share = done / total if total else 1.0
        if self._live:
            if now - self._drawn_s < REDRAW_S and share < 1.0:
                return
            self._drawn_s = now
            self._out.write("\r\x1b[K" + self._text(done, total, now))
        else:
            if share < self._next_share:
                return
            while self._next_share <= share:
                self._next_share += PLAIN_SHARE
            self._out.write(self._text(done, total, now) + "\n")
        self._out.flush()

    def close(self) -> None:
        """Leave the line and go to the next."""
        if self._live:
            self._out.write("\n")
            self._out.flush()

    def _text(self, done: int, total: int, now: float) -> str:
        share = done / total if total else 1.0
        spent = max(now - self._begun, 1e-9)
        new = done - (self._before or 0)
        rate = new / HOUR_S / spent
        left = f", {spent * (total - done) / new:.0f} s left" if new and share < 1.0 else ""
        hours = f"{done / HOUR_S:,.0f} of {total / HOUR_S:,.0f} infant-hours"
        return f"simulated {hours} ({100 * share:.0f} %), {rate:,.0f} per s{left}"
