"""Say what every reader of a plan must know before acting on it."""

from __future__ import annotations

__all__ = ["CAUTIONS", "FIRST_CAUTION"]

FIRST_CAUTION = "No barrier is a guarantee: stay watchful inside one as well."
"""The one that is shown where there is room for a single sentence."""

CAUTIONS: tuple[str, ...] = (
    FIRST_CAUTION,
    "Never handle a snake, alive or dead.",
    "Bitten by a snake: call 911, or Poison Control at 1-800-222-1222 (United States), at once.",
    "This plan comes from map layers: check every line, height and opening on the ground before building.",
    "Call 811 before digging, and wait until the buried lines are marked.",
    "Pool barrier, building, floodplain, easement and community rules come first, and so does licensed practice.",
    "Never close a wash: work in a floodplain needs a permit.",
    "Some snakes and other animals are protected by law: ask before moving or harming any.",
    "A long mesh line can stop or overheat other wildlife: leave ways round it, and look after them.",
)
"""In order of importance; nothing about treatment beyond whom to call."""
